"""Doubt about effects that their posterior does not show, which designed variation and trials can settle.

Two kinds of effects look better known than they are, or are not known at all: those of settings that operators move in
reaction to dirt that no log holds (`model/hidden_reaction.py`), and those of settings that hardly move. The log change
by a step is taken as

    b_j + d_j e,   e ~ N(0, 1) independent of all else                                                         (37)

with b_j the posterior of advice, 0 without one. For a reaction that biases by anything from 0 to B
alike, d = |B| / 3^1/2 is the root mean square of the bias; of a setting that was moved by lot, d is the error that
is left (`model/lot_contrast.py`).
"""

from dataclasses import replace

import numpy as np

from transforms.advice.move_effects import MoveEffects
from transforms.advice.posterior import Slopes
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.model.effects import slope_weights
from transforms.model.fit_result import ResponseFit
from transforms.model.hidden_reaction import reaction_within_visits
from transforms.model.lot_contrast import lot_correction
from transforms.trial.suggested_trials import UNTRIED_SD

DOUBT_SEED = 20_251_003


def doubts(fit: ResponseFit, catalogue: Catalogue) -> dict[str, float]:
    """Return the doubt d about the effect of each setting on dirt, log change per step; only settings that have one.

    Args:
        fit: fit of dirt.
        catalogue: the settings known.
    """
    numeric = [s.name for s in fit.frame.settings if catalogue[s.name].nature == "numeric"]
    reaction = reaction_within_visits(fit)
    found = {n: UNTRIED_SD for n in numeric if n not in fit.settings}
    if reaction is not None:
        found |= {n: abs(reaction.allowance(n)) / 3**0.5 for n in numeric if n in reaction.settings}
    if (lot := lot_correction(fit)) is not None:
        every = np.ones(fit.z.size, dtype=bool)
        found |= {n: float(np.linalg.norm(slope_weights(fit, n, every) @ lot.root)) for n in lot.settings if n in found}
    return {n: d for n, d in found.items() if d > 0}


def with_doubt(effects: MoveEffects, doubt: dict[str, float], max_steps: int) -> MoveEffects:
    """Return the draws of effects on dirt with the doubt of (37); settings without draws get draws of the doubt alone.

    Args:
        effects: draws of the effects of moves.
        doubt: setting -> d, log change per step.
        max_steps: largest number of practical steps of a move.
    """
    slopes = effects.by_response[DIRT]
    rng = np.random.default_rng(DOUBT_SEED)
    settings, draws, moves = list(slopes.settings), slopes.draws, dict(slopes.moves)
    for name, d in sorted(doubt.items()):
        e = np.asarray(d * rng.standard_normal(draws.shape[0]))
        if name not in settings:
            settings.append(name)
            draws = np.column_stack([draws, np.zeros(e.size)])
        step = draws[:, settings.index(name)]
        for k in (k for k in range(-max_steps, max_steps + 1) if k):
            moves[name, k] = moves.get((name, k), k * step) + k * e
        draws = np.column_stack([own + e if n == name else own for n, own in zip(settings, draws.T, strict=True)])
    known = Slopes(settings, draws, moves, slopes.pairs, slopes.now)
    return replace(effects, by_response={**effects.by_response, DIRT: known})
