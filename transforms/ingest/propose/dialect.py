"""Proposals beyond single columns of one file: columns that sister files lack, and a yield from mass and area."""

import numpy as np

from transforms.contracts.reason import reason
from transforms.contracts.required_columns import needed_columns
from transforms.contracts.source_tables import contract
from transforms.contracts.units import UNITS
from transforms.ingest.propose.proposal import OPEN, SKIP, Asker, ColumnProposal, Proposal
from transforms.ingest.propose.table import ProposalContext, SourceTable
from transforms.ingest.propose.unit_text import read_unit

YES, NO = "yes", "no"
MIN_COMMON = 0.5
"""Least share of the columns of a mapping that a file of the same dialect has (common practice, no source)."""
OVER = " / "
YIELDS_T_HA = (15.0, 150.0)
"""Plausible mean yields of fields (common practice, no source)."""


def ask_optional(proposal: Proposal, context: ProposalContext, asker: Asker) -> None:
    """Ask if files that lack some columns of a mapping are to be read too; such columns become optional.

    Args:
        proposal: the proposal.
        context: the columns of files with like names.
        asker: answers and open questions.
    """
    needed = needed_columns(contract(proposal.kind, context.catalogue))
    own = [c for c in proposal.columns if c.row.get("from") and c.column not in needed]
    sources = proposal.sources()
    for file, columns in context.siblings:
        lacking = [c for c in own if not columns.issuperset(c.row["from"])]
        if not lacking or len(sources & columns) < MIN_COMMON * len(sources):
            continue
        names = ", ".join(s for c in lacking for s in c.row["from"] if s not in columns)
        if asker.ask("optional", reason("ask_optional", columns=names, file=file), [YES, NO], YES) == YES:
            for column in lacking:
                column.row["optional"] = True
                column.reasons.append(reason("lacking_elsewhere", file=file))


def ask_yield(proposal: Proposal, table: SourceTable, asker: Asker) -> None:
    """Ask if the yield of fields that state none is a mass of the file over their area.

    Args:
        proposal: the proposal.
        table: the table.
        asker: answers and open questions.
    """
    placed = {c.column: c for c in proposal.columns}
    area = placed.get("area_ha")
    if proposal.kind != "field" or "yield_t_ha" in placed or area is None or "unit" not in area.row:
        return
    (area_name, *others), area_unit = area.row["from"], area.row["unit"]
    for source in proposal.unread if not others else ():
        text, _ = table.plausibility.unit_text(table.name_of(source))
        unit = read_unit(text) if text else None
        profile = table.profiles[source]
        if unit is None or UNITS[unit].dimension != "mass" or not profile.is_numeric:
            continue
        hectares = table.profiles[area_name].values * UNITS[area_unit].factor / UNITS["ha"].factor
        tonnes = profile.values * UNITS[unit].factor / UNITS["t"].factor
        found = (tonnes / np.where(hectares > 0, hectares, np.nan))[np.isfinite(tonnes)]
        middle = float(np.nanmedian(found)) if np.isfinite(found).any() else 0.0
        if not YIELDS_T_HA[0] <= middle <= YIELDS_T_HA[1]:
            continue
        ratio = f"{source}{OVER}{area_name}"
        why = reason("ask_ratio", column="yield_t_ha", mass=source, area=area_name, value=round(middle, 1), unit="t/ha")
        if asker.ask("yield_t_ha", why, [ratio, SKIP], ratio) == ratio:
            row = {"from": [source, area_name], "combine": "ratio", "units": [unit, area_unit]}
            proposal.columns.append(ColumnProposal("yield_t_ha", row, OPEN, [reason("mass_over_area")]))
        return
