"""Root loss of audits in every shape: the same plot gives the same loss, whatever was counted, weighed or stated."""

import numpy as np
import polars as pl
import pytest

from transforms.contracts.harvest_checks import BREAK_CLASSES
from transforms.model.audit_plot import CLASS_MIX, resolve_plot
from transforms.model.root_loss import BREAK_FRACTION, WHOLE_ROOT_FRACTION, root_loss

COUNTS = dict(zip(BREAK_CLASSES, (60.0, 25.0, 10.0, 5.0), strict=True))
"""A hundred broken tips in the assumed mix of classes."""
PLAIN = {**COUNTS, "whole_roots_count": 12.0, "plot_m2": 27.0, "root_mass_kg": 0.8, "yield_t_ha": 76.0}
PLANTS_PER_HA = 95_000.0
TIPS_KG = sum(n * BREAK_FRACTION[c] * 0.8 for c, n in COUNTS.items())
WHOLES_KG = 12 * WHOLE_ROOT_FRACTION * 0.8


def loss(**columns: float | None) -> dict[str, float]:
    given = {n: pl.Series(n, [v], dtype=pl.Float64) for n, v in columns.items()}
    return root_loss(pl.DataFrame(given)).row(0, named=True)


def without(*names: str) -> dict[str, float]:
    return {n: v for n, v in PLAIN.items() if n not in names}


TIP_T_HA, WHOLE_T_HA = TIPS_KG / 27 * 10, WHOLES_KG / 27 * 10
SHAPES = {
    "rows of a length": without("plot_m2") | {"plot_length_m": 20.0, "plot_rows_count": 3.0, "row_spacing_cm": 45.0},
    "places of roots, by plants per ha": without("plot_m2")
    | {"sampled_roots_count": 27e-4 * PLANTS_PER_HA, "stand_plants_per_ha": PLANTS_PER_HA},
    "places of roots, by yield and root mass": without("plot_m2") | {"sampled_roots_count": 27e-4 * PLANTS_PER_HA},
    "no root mass, but plants per ha": without("root_mass_kg") | {"stand_plants_per_ha": PLANTS_PER_HA},
    "neither root mass nor plants per ha": without("root_mass_kg"),
    "broken tips without classes": without(*BREAK_CLASSES) | {"broken_count": 100.0},
    "some broken tips with classes": {**PLAIN, "broken_count": 100.0},
    "weighed tips": without(*BREAK_CLASSES) | {"broken_mass_kg": TIPS_KG},
    "weighed whole roots": without("whole_roots_count") | {"whole_mass_kg": WHOLES_KG},
    "whole roots of a known mass": PLAIN | {"whole_root_mass_kg": WHOLE_ROOT_FRACTION * 0.8},
    "all weighed": without(*BREAK_CLASSES, "whole_roots_count")
    | {"broken_mass_kg": TIPS_KG, "whole_mass_kg": WHOLES_KG},
    "counted tips and all weighed together": without("whole_roots_count") | {"lost_mass_kg": TIPS_KG + WHOLES_KG},
    "stated parts": without(*BREAK_CLASSES, "whole_roots_count")
    | {"tip_loss_t_ha": TIP_T_HA, "whole_root_loss_t_ha": WHOLE_T_HA},
    "stated tips and sum": without(*BREAK_CLASSES, "whole_roots_count")
    | {"tip_loss_t_ha": TIP_T_HA, "root_loss_t_ha": TIP_T_HA + WHOLE_T_HA},
    "stated without a plot": {"tip_loss_t_ha": TIP_T_HA, "whole_root_loss_t_ha": WHOLE_T_HA, "yield_t_ha": 76.0},
}


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_of_an_audit_gives_the_loss_of_the_plain_one(shape):
    plain, other = loss(**PLAIN), loss(**SHAPES[shape])
    for name in ("tip_loss_t_ha", "whole_root_loss_t_ha", "root_loss_t_ha"):
        assert other[name] == pytest.approx(plain[name]), name
    assert plain["root_loss_t_ha"] == pytest.approx(TIP_T_HA + WHOLE_T_HA)
    assert np.isfinite(other["root_loss_log_var"])
    assert other["root_loss_lo95"] < other["root_loss_t_ha"] < other["root_loss_hi95"]
    if "without a plot" not in shape:
        assert other["plot_m2"] == pytest.approx(27.0)
        assert other["root_loss_log_var"] == pytest.approx(plain["root_loss_log_var"], rel=0.25)
        assert other["tip_loss_mass_each_kg"] == pytest.approx(plain["tip_loss_mass_each_kg"], rel=0.1)


def test_the_assumed_mix_is_a_mix():
    assert sum(CLASS_MIX.values()) == pytest.approx(1.0)
    assert [COUNTS[c] / 100 for c in BREAK_CLASSES] == pytest.approx(list(CLASS_MIX.values()))


def test_a_class_without_a_count_is_empty_if_another_has_one():
    blank, zero = (loss(**PLAIN | {"broken_6_8_cm_count": v}) for v in (None, 0.0))
    assert blank["root_loss_t_ha"] == zero["root_loss_t_ha"] < loss(**PLAIN)["root_loss_t_ha"]
    assert blank["root_loss_log_var"] == zero["root_loss_log_var"]


def test_the_total_of_broken_tips_adds_only_those_beyond_the_classes():
    some = PLAIN | {"broken_over_8_cm_count": None, "broken_count": 100.0}
    plot = resolve_plot(pl.DataFrame([some])).row(0, named=True)
    assert sum(plot[c] for c in BREAK_CLASSES) == pytest.approx(100.0)
    assert plot["broken_over_8_cm_count"] == pytest.approx(5 * CLASS_MIX["broken_over_8_cm_count"])


def test_a_part_that_is_not_known_is_null_and_so_is_the_sum():
    tips = loss(**without("whole_roots_count"))
    assert tips["tip_loss_t_ha"] == pytest.approx(TIP_T_HA)
    assert tips["tip_loss_mass_each_kg"] > 0
    nothing = ("whole_root_loss_t_ha", "whole_root_mass_each_kg", "root_loss_t_ha", "root_loss_log_var")
    assert [tips[n] for n in nothing] == [None] * 4
    wholes = loss(**without(*BREAK_CLASSES))
    assert wholes["whole_root_loss_t_ha"] == pytest.approx(WHOLE_T_HA)
    assert wholes["tip_loss_t_ha"] is wholes["root_loss_t_ha"] is None


@pytest.mark.parametrize("total", [{"root_loss_t_ha": 2.5}, {"lost_mass_kg": 6.75}])
def test_a_total_alone_is_taken_as_it_is_and_its_parts_stay_unknown(total):
    row = loss(**without(*BREAK_CLASSES, "whole_roots_count") | total)
    assert row["root_loss_t_ha"] == pytest.approx(2.5)
    assert row["tip_loss_t_ha"] is row["whole_root_loss_t_ha"] is None
    assert row["tip_loss_mass_each_kg"] is row["whole_root_mass_each_kg"] is None
    assert row["root_loss_lo95"] < 2.5 < row["root_loss_hi95"]


def test_masses_come_before_counts_and_counts_before_stated_losses():
    stated = PLAIN | {"tip_loss_t_ha": 9.0, "whole_root_loss_t_ha": 9.0, "root_loss_t_ha": 18.0}
    assert loss(**stated)["root_loss_t_ha"] == pytest.approx(TIP_T_HA + WHOLE_T_HA)
    assert loss(**stated | {"broken_mass_kg": 2.7})["tip_loss_t_ha"] == pytest.approx(1.0)


def test_counts_without_a_plot_count_for_nothing():
    row = loss(**without("plot_m2") | {"root_loss_t_ha": 2.5})
    assert row["root_loss_t_ha"] == 2.5
    assert row["tip_loss_t_ha"] is None


def test_the_number_of_roots_comes_before_the_area_because_the_counts_are_of_these_roots():
    sample = PLAIN | {"sampled_roots_count": 27e-4 * PLANTS_PER_HA / 2}
    assert loss(**sample)["root_loss_t_ha"] == pytest.approx(2 * loss(**PLAIN)["root_loss_t_ha"])


def test_the_variance_of_a_loss_is_ten_times_loss_times_piece_over_plot():
    rng = np.random.default_rng(7)
    n = 4000
    columns = {c: rng.poisson(v, n).astype(float) for c, v in COUNTS.items()}
    audits = pl.DataFrame({**columns, "whole_roots_count": rng.poisson(12.0, n).astype(float)})
    lost = root_loss(audits.with_columns(plot_m2=27.0, root_mass_kg=0.8, yield_t_ha=76.0))
    for part, each in (
        ("tip_loss_t_ha", "tip_loss_mass_each_kg"),
        ("whole_root_loss_t_ha", "whole_root_mass_each_kg"),
    ):
        promised = (10 * lost[part] * lost[each] / lost["plot_m2"]).mean()
        assert lost[part].var() == pytest.approx(promised, rel=0.1)


def test_an_audit_without_a_piece_has_a_finite_uncertainty_and_a_usual_piece():
    row = loss(**PLAIN | dict.fromkeys((*BREAK_CLASSES, "whole_roots_count"), 0.0))
    usual = loss(**PLAIN)
    assert row["root_loss_t_ha"] == 0
    assert np.isfinite(row["root_loss_log_var"])
    assert row["tip_loss_mass_each_kg"] == pytest.approx(usual["tip_loss_mass_each_kg"])
    assert row["whole_root_mass_each_kg"] == usual["whole_root_mass_each_kg"]


def test_other_columns_and_the_order_of_audits_are_kept():
    rows = pl.DataFrame([{**PLAIN, "audit_id": i, "whole_roots_count": float(k)} for k, i in enumerate("BAC")])
    lost = root_loss(rows)
    assert lost["audit_id"].to_list() == list("BAC")
    assert lost["whole_root_loss_t_ha"].is_sorted()
    assert "broken_mass_kg" not in lost.columns
