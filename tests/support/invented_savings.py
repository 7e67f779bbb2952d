"""Invented seasons of advice and outcomes: settings are fitted on past loads, advised, made or not, and measured.

In a confounded season operators raise a setting where dirt that no log records is high, so the fit on past loads takes
that dirt for an effect of the setting. In every season machines follow advice more often on wet ground and if they have
much dirt, so that a plain difference between shifts that followed and others is wrong.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import norm

SETTINGS = 3
NAMES = ("share_depth_cm", "cleaner_1_speed_rpm", "share_drive_pct")
PAST_LOADS = 1500
PRICE_PER_T = 21.0
HIDDEN = 0.25
"""Log dirt of one standard deviation of the hidden factor."""


@dataclass(frozen=True)
class InventedSavings:
    """Moves and loads of a season with the true savings per tonne.

    Attributes:
        moves: moves advised, as for `shift_units`.
        loads: measured loads.
        true_made: saving of making the moves on the shifts that made them.
        true_shown: saving of showing the moves, whether they are made or not, over all shifts.
        by_fit: setting -> probability by the fit that its move saves, also of settings that were not moved.
        saves: setting -> True if its move truly saves.
    """

    moves: pl.DataFrame
    loads: pl.DataFrame
    true_made: float
    true_shown: float
    by_fit: dict[str, float]
    saves: dict[str, bool]


def _fitted(rng: np.random.Generator, true: np.ndarray, reaction: float) -> tuple[np.ndarray, np.ndarray]:
    """Return effects per step and their covariance, from a regression on past loads without the hidden factor."""
    hidden = rng.normal(0, 1, PAST_LOADS)
    z = rng.normal(0, 0.7, (PAST_LOADS, SETTINGS)) + reaction * hidden[:, None]
    y = z @ true + HIDDEN * hidden + rng.normal(0, 0.3, PAST_LOADS)
    inverse = np.linalg.inv(z.T @ z)
    b = inverse @ z.T @ y
    return b, inverse * float(((y - z @ b) ** 2).mean())


def invent(
    seed: int,
    *,
    is_confounded: bool,
    hold_back: float = 0.0,
    hidden_choice: float = 0.0,
    machines: int = 10,
    shifts: int = 40,
    loads: int = 6,
) -> InventedSavings:
    """Return a season of machines whose two best moves are advised for each shift.

    Args:
        seed: seed of the season.
        is_confounded: True if the effects rest on loads whose operators reacted to hidden dirt.
        hold_back: share of machines and shifts whose moves nobody sees.
        hidden_choice: log odds of following advice per standard deviation less of dirt that no log records.
        machines: number of machines.
        shifts: number of shifts.
        loads: measured loads of a machine and shift.
    """
    rng, lot = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    true = rng.choice([-1.0, 1.0], SETTINGS) * rng.uniform(0.05, 0.12, SETTINGS)
    b, cov = _fitted(rng, true, 0.5 if is_confounded else 0.0)
    best = np.argsort(-np.abs(b))[:2]
    sd = np.sqrt(np.diag(cov))
    level, will = rng.normal(np.log(0.11), 0.2, machines), rng.normal(0, 0.6, machines)
    known = level + rng.normal(0, 0.05, machines)
    moves, taken, saved, shown = [], [], [], []
    for d in range(shifts):
        wet = float(rng.uniform(0.2, 0.9))
        for m in range(machines):
            expected = known[m] + 0.6 * (wet - 0.5)
            hidden_ground = rng.normal(0, 0.12)
            base = level[m] + 0.9 * (wet - 0.5) + hidden_ground
            steps = -np.sign(b[best]) * rng.choice([1, 2], 2)
            p = 1 / (1 + np.exp(-(will[m] + 2.5 * (wet - 0.55) + 1.5 * (known[m] - np.log(0.11)))))
            p = 1 / (1 + (1 / p - 1) * np.exp(hidden_choice * hidden_ground / 0.12))
            is_withheld = bool(lot.random() < hold_back)
            made = rng.random() < p and not is_withheld
            share = rng.uniform(0.6, 1.0, 2) if made else rng.uniform(-0.1, 0.3, 2)
            key = {"machine_id": f"M{m}", "shift_date": dt.date(2025, 10, 1) + dt.timedelta(days=d)}
            log_level = expected
            for k, s in enumerate(best):
                change, half = b[s] * steps[k], 1.96 * sd[s] * abs(steps[k])
                before, after = np.exp(log_level), np.exp(log_level + change)
                log_level += change
                moves.append(
                    {**key, "move_number": k + 1, "setting": NAMES[s], "made_share": share[k],
                     "dirt_before_pct": 100 * before / (1 + before), "dirt_after_pct": 100 * after / (1 + after),
                     "dirt_lo95": 100 * np.expm1(change - half), "dirt_hi95": 100 * np.expm1(change + half),
                     "topsoil_wetness": wet, "is_withheld": is_withheld}
                )  # fmt: skip
            done = float((true[best] * steps * share).sum())
            usual = (true[best] * steps * rng.uniform(-0.1, 0.3, (50, 2))).sum(axis=1)
            ratios = np.exp(base + done + HIDDEN * rng.normal(0, 1, loads) + rng.normal(0, 0.25, loads))
            noise, mass = np.exp((HIDDEN**2 + 0.25**2) / 2), 20.0 * loads
            followed = (true[best] * steps * lot.uniform(0.6, 1.0, (50, 2))).sum(axis=1)
            shown.append(PRICE_PER_T * noise * np.exp(base) * p * float(np.exp(usual).mean() - np.exp(followed).mean()))
            if made:
                saved.append((PRICE_PER_T * noise * np.exp(base) * (np.exp(usual).mean() - np.exp(done)), mass))
            taken += [
                {**key, "dirt_tare_pct": 100 * r / (1 + r), "clean_t": 20.0, "soil_cost_per_t": PRICE_PER_T}
                for r in ratios.tolist()
            ]
    values, tonnes = (np.array(c) for c in zip(*saved, strict=True))
    true_made = float(np.average(values, weights=tonnes))
    return InventedSavings(
        pl.DataFrame(moves),
        pl.DataFrame(taken),
        true_made,
        float(np.mean(shown)),
        dict(zip(NAMES, norm.cdf(np.abs(b) / sd).tolist(), strict=True)),
        dict(zip(NAMES, (b * true > 0).tolist(), strict=True)),
    )
