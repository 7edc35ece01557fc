"""The command ``fillmark backtest``: what forecasts of use would have been worth on a fleet's own past."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from api.cli.failures import fail, plain_failures
from api.cli.words import counted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rich.console import Console

    from domain.use_backtest import Backtest, Score
    from domain.use_history import UseHistories

# One fleet so far; access keys will name others.
_FLEET = 1
_METERS = (
    "odometer",
    "engine_hours",
    "second_engine_hours",
    "power_take_off_hours",
    "idle_hours",
    "fuel_burned",
)


def backtest(
    file: Annotated[
        Path | None,
        typer.Argument(
            exists=True,
            dir_okay=False,
            readable=True,
            help="CSV of readings with columns such as type, unit, read_on and odometer_km, or as `import` takes it;"
            " the database's readings unless given.",
        ),
    ] = None,
    *,
    meter: Annotated[str, typer.Option(help="Which meter: odometer, engine_hours, ...")] = "odometer",
    json_file: Annotated[
        Path | None, typer.Option("--json", dir_okay=False, help="Write all figures to this file.")
    ] = None,
) -> None:
    """Hold forecasts of use against what each vehicle then ran, beside three simple rules.

    Forecasts are made from every vehicle's 13th month with a reading on, 1, 3, 6 and 12 months ahead, by what had been
    learned from earlier readings of this fleet alone.
    """
    from rich.console import Console

    from api.cli.use_files import NoUseFileError

    if meter not in _METERS:
        fail(f"there is no meter {meter!r}; there are {', '.join(_METERS)}")
    console = Console(highlight=False)
    with plain_failures():
        try:
            histories, types, note = _stored(meter) if file is None else _of_file(file, meter)
        except NoUseFileError as error:
            fail(str(error))
        _tell(console, histories, types, note, json_file)


def _of_file(file: Path, meter: str) -> tuple[UseHistories, tuple[str, ...], str]:
    from api.cli.use_files import use_file

    found = use_file(file, meter=meter)
    note = f"{counted(found.vehicles, 'vehicle')} of {counted(len(found.types), 'type')} in {file.name}"
    if found.left_out:
        note += f"; {counted(found.left_out, 'row')} left out: no figure, no day, or a figure that goes back"
    return found.histories, found.types, note


def _stored(meter: str) -> tuple[UseHistories, tuple[str, ...], str]:
    from api.services.use_learning import fleet_histories
    from api.settings import settings_from_environment
    from api.store.migrate import migrate
    from api.store.queries_use import sheet_codes
    from api.store.session import Store
    from domain.sheet import Meter

    settings = settings_from_environment()
    migrate(settings.database_url)
    store = Store.at(settings.database_url)
    try:
        with store.reading() as session:
            found = fleet_histories(session, _FLEET, [Meter(meter)])
            codes = sheet_codes(session, _FLEET)
    finally:
        store.close()
    if Meter(meter) not in found.histories:
        fail(f"no vehicle has readings of its {meter.replace('_', ' ')} on more than one day")
    note = f"{counted(found.sampled, 'vehicle')} of {counted(len(found.types), 'type')}"
    if found.sampled < found.vehicles:
        note += f", a sample of the {found.vehicles:,} with readings"
    return found.histories[Meter(meter)], tuple(codes[key] for key in found.types), note


def _tell(
    console: Console, histories: UseHistories, types: Sequence[str], note: str, json_file: Path | None
) -> None:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    from domain.use_backtest import backtest as held
    from domain.use_learning import learned

    months = histories.day.shape[1]
    with Progress(
        TextColumn("walking over the months"),
        BarColumn(bar_width=None),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True, highlight=False),
        transient=True,
    ) as progress:
        task = progress.add_task("", total=months)
        _, foretold = learned(histories, told=lambda done: progress.update(task, completed=done))
    result = held(histories, foretold)
    if not result.overall:
        fail(
            "no vehicle has readings in 13 months and a month after them: there is nothing to hold forecasts to"
        )
    console.print(f"{note}, {histories.day.shape[1]:,} months", soft_wrap=True)
    _print(console, result, types)
    if json_file is not None:
        json_file.write_text(json.dumps(_figures(result, types), indent=1) + "\n", "utf-8")
        console.print(f"all figures: {json_file}", soft_wrap=True)


def _print(console: Console, result: Backtest, types: Sequence[str]) -> None:
    from rich.table import Table

    from domain.use_backtest import losses

    table = Table(title="Error and coverage by horizon", title_justify="left")
    for name in ("ahead", "count", "in 90 %", "error", "last rate", "12 mean", "smooth", "of best"):
        table.add_column(name, justify="right")
    for score in result.overall:
        table.add_row(
            _ahead(score.months),
            f"{score.forecasts:,}",
            f"{score.coverage:.3f}",
            f"{score.error:.3f}",
            *(f"{error:.3f}" for error in score.rules.values()),
            f"{score.against_best:.2f}",
        )
    console.print(table)
    console.print(
        "In 90 %: share of outcomes within the 90 % interval. Error: sum of errors over\n"
        "sum of use, of the forecast and of three rules: the last rate goes on, or the\n"
        "mean of 12 months, or use smoothed with a half-life of 120 days. Of best: error\n"
        "over that of the best rule."
    )
    _print_groups(console, "type", {types[kind]: scores for kind, scores in result.by_type.items()})
    _print_groups(console, "year", {str(year): scores for year, scores in result.by_year.items()})
    lost: dict[tuple[str, int], tuple[Score, list[str]]] = {}
    for name, which, score, what in losses(result):
        group = "overall" if which is None else types[which] if name == "type" else str(which)
        lost.setdefault((group, score.months), (score, []))[1].append(what)
    console.print(f"\nWhere it loses: {'nowhere' if not lost else ''}")
    for (group, months), (score, complaints) in lost.items():
        figures = f"{score.coverage:.2f} in 90 %, {score.against_best:.2f} of best"
        console.print(f"  {group}, {_ahead(months)}: {figures}: {', '.join(complaints)}", soft_wrap=True)


def _ahead(months: int) -> str:
    return "1 month" if months == 1 else f"{months} months"


def _print_groups(console: Console, name: str, groups: Mapping[str, Sequence[Score]]) -> None:
    from rich.table import Table

    months = sorted({score.months for scores in groups.values() for score in scores})
    table = Table(title=f"By {name}: in 90 % / error of best rule's", title_justify="left")
    table.add_column(name)
    for ahead in months:
        table.add_column(_ahead(ahead), justify="right")
    table.add_column("count", justify="right")
    for group, scores in groups.items():
        found = {score.months: f"{score.coverage:.2f} / {score.against_best:.2f}" for score in scores}
        table.add_row(
            group, *(found.get(ahead, "") for ahead in months), f"{sum(s.forecasts for s in scores):,}"
        )
    console.print(table)


def _figures(result: Backtest, types: Sequence[str]) -> dict[str, Any]:
    return {
        "overall": [_score(score) for score in result.overall],
        "by_type": {types[kind]: [_score(s) for s in scores] for kind, scores in result.by_type.items()},
        "by_year": {str(year): [_score(s) for s in scores] for year, scores in result.by_year.items()},
    }


def _score(score: Score) -> dict[str, Any]:
    return {
        "months": score.months,
        "forecasts": score.forecasts,
        "coverage": score.coverage,
        "below": score.below,
        "above": score.above,
        "error": score.error,
        "pinball": score.pinball,
        "rules": {rule.value: error for rule, error in score.rules.items()},
        "of_best": score.against_best,
    }
