"""``python -m tests.benchmarks.use_smoothing FILE``: the law of use beside automatic exponential smoothing.

FILE is a CSV of monthly readings (columns such as type, unit, read_on, odometer_km). For every forecast of the
backtest, exponential smoothing of statsmodels is fitted to the vehicle's monthly use up to then: level, trend and
damped trend, the one with the least AICc; its quantiles of use over the horizon come from simulated paths. Both are
held against the same outcomes. It takes some minutes.
"""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from statsmodels.tsa.exponential_smoothing.ets import ETSModel

from api.cli.use_files import use_file
from domain.use_backtest import FIRST_MONTH, SHARES, backtest
from domain.use_history import HORIZON_MONTHS
from domain.use_learning import learned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from domain.use_history import UseHistories

    Real = NDArray[np.float64]

_PATHS = 400
# Fitting anew each month changes little and takes most of the time: in between the fitted weights are kept.
_FIT_EVERY = 6
_MODELS: tuple[dict[str, Any], ...] = ({}, {"trend": "add"}, {"trend": "add", "damped_trend": True})


def main() -> None:
    """Print pinball loss and error of both, by horizon."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.use_smoothing", description=__doc__)
    parser.add_argument("file", type=Path)
    histories = use_file(parser.parse_args().file, meter="odometer").histories
    _, foretold = learned(histories)
    ours = backtest(histories, foretold).overall
    theirs = _smoothed(histories)
    print("months  forecasts   pinball: law  smoothing   error: law  smoothing")  # noqa: T201 - the command's output
    for score, (pinball, error) in zip(ours, theirs, strict=True):
        print(  # noqa: T201 - the command's output
            f"{score.months:6}  {score.forecasts:9,}  {score.pinball:12.4f}  {pinball:9.4f}"
            f"  {score.error:11.4f}  {error:9.4f}"
        )


def _smoothed(histories: UseHistories) -> list[tuple[float, float]]:
    """Pinball loss and error of automatic exponential smoothing over the same forecasts, by horizon."""
    lost, erred, run = (np.zeros(len(HORIZON_MONTHS)) for _ in range(3))
    for row in range(len(histories.day)):
        at = np.flatnonzero(~np.isnan(histories.day[row]))
        use = np.diff(histories.life[row, at])
        model: dict[str, Any] = {}
        parameters: Real | None = None
        for place in range(FIRST_MONTH - 1, len(at)):
            known = histories.use[row, at[place]]
            if np.isnan(known).all():
                continue
            series = use[:place] / 1e5
            if parameters is None or (place - FIRST_MONTH + 1) % _FIT_EVERY == 0:
                model, parameters = _best(series)
            paths = np.maximum(_paths(series, model, parameters, row * 1_000 + place), 0.0) * 1e5
            total = np.cumsum(paths, axis=0)
            for horizon, months in enumerate(HORIZON_MONTHS):
                if np.isnan(known[horizon]):
                    continue
                quantiles = np.quantile(total[months - 1], SHARES)
                for share, quantile in zip(SHARES, quantiles, strict=True):
                    lost[horizon] += max(
                        share * (known[horizon] - quantile), (share - 1) * (known[horizon] - quantile)
                    )
                erred[horizon] += abs(quantiles[1] - known[horizon])
                run[horizon] += known[horizon]
    return list(zip((lost / run).tolist(), (erred / run).tolist(), strict=True))


def _best(series: Real) -> tuple[dict[str, Any], Real]:
    fits: list[tuple[float, int, dict[str, Any], Real]] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for model in _MODELS:
            fit = ETSModel(series, error="add", **model).fit(disp=False)
            if np.isfinite(fit.aicc):
                fits.append((fit.aicc, len(fits), model, np.asarray(fit.params)))
    _, _, model, parameters = min(fits, key=lambda one: one[:2])
    return dict(model), parameters


def _paths(series: Real, model: dict[str, Any], parameters: Real, seed: int) -> Real:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        smooth = ETSModel(series, error="add", **model).smooth(parameters)
        found = smooth.simulate(
            max(HORIZON_MONTHS), anchor="end", repetitions=_PATHS, rng=np.random.default_rng(seed)
        )
    return np.asarray(found).reshape(max(HORIZON_MONTHS), _PATHS)


if __name__ == "__main__":
    main()
