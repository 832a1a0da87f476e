"""dialbench campaign"""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import screen
from dialbench.commands.options import Day, Finite
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.errors import UserError

_AHEAD = timedelta(days=364)
_LONGEST = timedelta(days=3660)
_ANGLES = ("azimuth", "altitude", "turn")


@click.command("campaign")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option(
    "--pose-goal",
    "within_deg",
    type=Finite(1e-4, 10),
    required=True,
    metavar="DEG",
    help="With 95% probability all angles are to be told within so much of the truth.",
)
@click.option("--from", "first", type=Day(), required=True, metavar="DAY", help="First day to log.")
@click.option("--until", "last", type=Day(), metavar="DAY", help="Last day; left out: a year.")
@click.option(
    "--angle",
    "angles",
    type=click.Choice(_ANGLES),
    multiple=True,
    help="Only this angle of the pose; or several. Left out: all three.",
)
@click.option("--days-at-most", "most", type=click.IntRange(1, 366), default=30, show_default=True)
@click.option(
    "--clear",
    "clear_text",
    metavar="P,P,...",
    help="Probability of a clear day in each month, January first: twelve numbers, or a file"
    " with them. Left out: every day is clear.",
)
@click.option(
    "--after",
    "store_path",
    type=click.Path(path_type=Path),
    help="What this store holds of the dial is solved, and counts as known.",
)
@click.option("--board", "uid", help="Which board, where the store holds several logs.")
@click.option("--log", "log_hash", help="Which imported log, where the store holds several logs.")
@click.option(
    "--axis-scatter",
    "axis_deg",
    type=Finite(1e-4, 5),
    metavar="DEG",
    help="Standard deviation of where the bores' axes point.  [0.1]",
)
@click.option(
    "--width-scatter",
    "width",
    type=Finite(1e-4, 0.5),
    metavar="SHARE",
    help="Of widths, as a share.  [0.03]",
)
@click.option(
    "--gain-scatter",
    "gain",
    type=Finite(1e-4, 1),
    metavar="SHARE",
    help="Of the sensors' gains.  [0.1]",
)
@click.option(
    "--noise",
    "level_noise",
    type=Finite(1e-5, 0.3),
    metavar="SHARE",
    help="Of a level, as a share of full light.  [0.01]",
)
@click.option(
    "--clock",
    "offset_s",
    type=Finite(1e-4, 60),
    metavar="S",
    help="Of the clock as a whole.  [0.1]",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.campaign/1" object.')
@click.pass_context
def command(
    context: click.Context,
    /,
    dial_path: Path,
    within_deg: float,
    first: date,
    last: date | None,
    angles: tuple[str, ...],
    most: int,
    clear_text: str | None,
    store_path: Path | None,
    uid: str | None,
    log_hash: str | None,
    as_json: bool,
    **assumed: float | None,
) -> None:
    """Which days to log so that the pose of DIAL is told as well as is wished.

    The fewest days, and of such plans one that is soonest done, by the bound of Cramer and Rao
    for the model that solve uses. What else is unknown, every bore's axis and width and every
    sensor's gain, is found with the pose; how much it scatters is assumed, or taken from
    --after. Exit status 1 where the goal cannot be reached; then it says why.
    """
    if store_path is None and (uid is not None or log_hash is not None):
        raise UserError("--board, --log: say which log of a store; name the store with --after")
    dial = dialfile.load(dial_path)
    try:
        last = last or first + _AHEAD
    except OverflowError as error:
        raise UserError(f"--from {first}: is beyond every calendar") from error
    if not timedelta(0) <= last - first <= _LONGEST:
        raise UserError(f"--until {last}: must be {first} or later, and within ten years of it")
    from dialbench import campaign  # heavy
    from dialbench.sky import Sky
    from dialbench.solve import solve
    from dialbench.solve.suspicion import sound

    weather = campaign.Weather() if clear_text is None else campaign.Weather.read(clear_text)
    goal = campaign.Goal(within_deg, tuple(name for name in _ANGLES if name in (angles or _ANGLES)))
    sky = Sky(dial.site)
    given = {name: value for name, value in assumed.items() if value is not None}
    with screen.progress() as progress:
        if store_path is None:
            days = campaign.fresh(dial, sky, first, last, given, weather, progress)
        else:
            with looked_at(store_path) as store:
                _, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
            logged, doubts = sound(logged, dial, sky)
            for doubt in doubts:
                screen.note(doubt.sentence)
            found = solve(logged, dial, sky, progress)
            days = campaign.after(found, sky, first, last, given, weather, progress)
        planned = campaign.plan(days, goal, most, progress)
    if as_json:
        click.echo(json.dumps(planned.as_dict(), allow_nan=False))
    else:
        if planned.chosen:
            screen.columns(planned.rows())
        for sentence in planned.sentences():
            screen.say(sentence)
    if not planned.reached:
        context.exit(1)
