"""Packing of weekly cross-products into the arrays of an `.npz` file.

The arrays of a week are stored as one array of floats, one of integers and a JSON index of names and shapes: reading
each array separately would take longer than computing the cross-products.
"""

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from transforms.mixed_model.cross_products import CrossProducts
from transforms.model.weekly_products import Week

Arrays = Mapping[str, NDArray[Any]]


def pack_week(week: Week) -> dict[str, NDArray[Any]]:
    """Return a week's cross-products as the arrays of a file."""
    return _concatenate(_week_arrays(week))


def unpack_week(stored: Arrays) -> Week:
    """Return the cross-products that `pack_week` packed.

    Raises:
        KeyError: an array is missing.
        ValueError: an array is too short for its contents.
    """
    return _week_from(_split(stored))


def _concatenate(arrays: Arrays) -> dict[str, NDArray[Any]]:
    """Return many arrays as three: floats, integers, and the index of names and shapes."""
    numbers: dict[str, list[NDArray[Any]]] = {"f": [np.empty(0)], "i": [np.empty(0, dtype=np.int64)]}
    index: list[tuple[str, str, list[Any]]] = []
    for name, array in arrays.items():
        kind = array.dtype.kind
        index.append((name, kind, array.tolist() if kind == "U" else list(array.shape)))
        if kind != "U":
            numbers[kind].append(array.ravel())
    stored = {kind: np.concatenate(parts) for kind, parts in numbers.items()}
    return {**stored, "what": np.frombuffer(json.dumps(index).encode(), dtype=np.uint8)}


def _split(stored: Arrays) -> dict[str, NDArray[Any]]:
    """Return the arrays that `_concatenate` joined."""
    numbers, at = {kind: stored[kind] for kind in "fi"}, dict.fromkeys("fi", 0)
    out: dict[str, NDArray[Any]] = {}
    for name, kind, entry in json.loads(stored["what"].tobytes()):
        if kind == "U":
            out[name] = np.array(entry, dtype=str)
            continue
        size = math.prod(entry)
        out[name] = numbers[kind][at[kind] : at[kind] + size].reshape(entry)
        at[kind] += size
    return out


def _week_arrays(week: Week) -> dict[str, NDArray[Any]]:
    """Return the arrays of a week, named by class of measurement variance."""
    out: dict[str, NDArray[Any]] = {"classes": np.array(sorted(week))}
    for k, m in week.items():
        out |= {
            f"{k}/DD": m.DD,
            f"{k}/FD": m.FD,
            f"{k}/r": m.r,
            f"{k}/scalars": np.array([m.yy, m.n, m.p, m.sum_log_w]),
        }
        FF = m.FF.tocsr()
        out |= {f"{k}/data": FF.data, f"{k}/indices": FF.indices, f"{k}/indptr": FF.indptr}
        for kind, spans in (("blocks", m.blocks), ("factors", m.factors)):
            out[f"{k}/{kind}"] = np.array(list(spans), dtype=str)
            out[f"{k}/{kind} at"] = np.array([[s.start, s.stop] for s in spans.values()]).reshape(-1, 2)
        for name, labels in m.labels.items():
            out[f"{k}/labels/{name}"] = labels
    return out


def _week_from(arrays: Arrays) -> Week:
    """Return the week of the arrays that `_week_arrays` named."""
    out = {}
    for k in arrays["classes"].tolist():
        yy, n, p, log_w = arrays[f"{k}/scalars"].tolist()
        spans = {
            kind: {
                str(name): slice(int(a), int(b))
                for name, (a, b) in zip(arrays[f"{k}/{kind}"], arrays[f"{k}/{kind} at"], strict=True)
            }
            for kind in ("blocks", "factors")
        }
        FD = arrays[f"{k}/FD"]
        sparse = (arrays[f"{k}/data"], arrays[f"{k}/indices"], arrays[f"{k}/indptr"])
        out[int(k)] = CrossProducts(
            DD=arrays[f"{k}/DD"],
            FD=FD,
            FF=sp.csr_matrix(sparse, (FD.shape[0], FD.shape[0])),
            r=arrays[f"{k}/r"],
            yy=yy,
            n=int(n),
            p=int(p),
            sum_log_w=log_w,
            blocks=spans["blocks"],
            factors=spans["factors"],
            labels={name: arrays[f"{k}/labels/{name}"] for name in spans["factors"]},
        )
    return out
