"""The command `plantstats`: reads its arguments, calls the rooms, says in plain words what went wrong."""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from pathlib import Path

from plantstats import __version__
from plantstats.errors import PlantstatsError

# The rooms are imported where they are used, so that `plantstats --help` answers at once.

STOPPED, PIPE_CLOSED = 130, 141  # 128 + SIGINT, 128 + SIGPIPE, as shells number them
YEARS = (1900, 2199)
ENGINE = "PLANTSTATS_ENGINE"  # read by `exposure.engines`; pages are made by processes of their own


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process when left out.

    Returns
    -------
    int
        0: done. 1: the records, the report or the place for it have a fault, said on the error stream. 3: `watch` has
        an alarm. 130: stopped by hand. 141: who read the output has gone.

    Raises
    ------
    SystemExit
        With 2 for arguments that cannot be understood.
    """
    if arguments is None:
        _speak_utf8()
    for stream in (sys.stdout, sys.stderr):
        # A terminal of few letters shows a question mark; it never stops the command.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    chosen = _parser().parse_args(arguments)
    if getattr(chosen, "engine", None):
        os.environ[ENGINE] = chosen.engine
    try:
        code = chosen.command(chosen)
        sys.stdout.flush()
        if arguments is None:
            gc.freeze()  # What is left goes with the process: the interpreter need not look through it.
    except PlantstatsError as fault:
        return _fault(chosen, str(fault))
    except BrokenPipeError:
        # Nobody reads any more; what Python would still write at its end goes nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except OSError as error:
        return _fault(chosen, f"{error.filename or 'a file'}: {error.strerror or error}; nothing was finished")
    except _engine_errors() as error:
        room = "no room left to work in, on the disk or in memory"
        return _fault(chosen, f"{room}: {str(error).splitlines()[0]}; nothing was finished")
    except KeyboardInterrupt:
        print(f"plantstats {chosen.name}: stopped; nothing was changed", file=sys.stderr)
        return STOPPED
    return code


def _fault(chosen: argparse.Namespace, text: str) -> int:
    print(f"plantstats {chosen.name}: {text}", file=sys.stderr)
    return 1


def _engine_errors() -> tuple[type[Exception], ...]:
    """What the engine that runs the queries raises on a full disk or memory; none where it was not loaded."""
    engine = sys.modules.get("duckdb")
    return (engine.IOException, engine.OutOfMemoryException) if engine else ()


def _speak_utf8() -> None:
    """Start again in UTF-8 where the locale knows only ASCII: names of files could not be written otherwise."""
    if sys.getfilesystemencoding().lower() != "utf-8" and os.environ.get("PYTHONUTF8") != "1":
        os.environ["PYTHONUTF8"] = "1"
        os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])


def _review(chosen: argparse.Namespace) -> int:
    from plantstats import writing  # noqa: PLC0415
    from plantstats.pages import preload  # noqa: PLC0415
    from plantstats.reporting.forks import Forks  # noqa: PLC0415

    writing.check_folder(chosen.out)
    if chosen.every_client:
        from plantstats import quarterly  # noqa: PLC0415

        report = quarterly.review_clients(chosen.folder, chosen.quarter, chosen.as_of, chosen.out, again=chosen.again)
    else:
        with Forks(preload.FIRST, preload.LATER) as forks:  # imports beside this process
            from plantstats import quarterly  # noqa: PLC0415

            asked = chosen.folder, chosen.quarter, chosen.client, chosen.as_of, chosen.out
            report = quarterly.review(*asked, again=chosen.again, since=chosen.since, forks=forks)
    for sentence in report.sentences:
        print(sentence)
    for page in report.pages:
        print(f"Report: {page}")
    for remark in report.remarks:
        print(f"Note: {remark}", file=sys.stderr)
    for name, reason in report.missing.items():
        whose = f"of client {name}" if chosen.every_client else name
        print(f"plantstats review: no page {whose}: {reason}", file=sys.stderr)
    return 1 if report.missing else 0


def _check(chosen: argparse.Namespace) -> int:
    from plantstats import exposure, quality, records, writing  # noqa: PLC0415

    if chosen.set_aside:
        writing.check_file(chosen.set_aside, quality.SET_ASIDE_BEGINS)
    loaded, unusable = records.survey(chosen.folder)
    faults = quality.check(loaded, chosen.as_of or exposure.last_day(loaded))
    print(quality.print_check(loaded, faults, unusable))
    if chosen.set_aside:
        quality.write_set_aside(loaded, chosen.set_aside)
        print(f"Rows set aside: {chosen.set_aside}")
    return 1 if unusable or quality.not_allowed(loaded) else 0


def _settings(chosen: argparse.Namespace) -> int:
    from plantstats import records  # noqa: PLC0415

    print(f"Proposed settings, to be read and corrected: {records.propose_settings(chosen.folder)}")
    return 0


def _quote(chosen: argparse.Namespace) -> int:
    from plantstats import writing  # noqa: PLC0415
    from plantstats.pages.guarantee_command import cli_quote  # noqa: PLC0415

    writing.check_folder(chosen.out)
    return cli_quote(chosen)


def _trial(chosen: argparse.Namespace) -> int:
    from plantstats.pages import trial_command  # noqa: PLC0415

    return trial_command.cli_plan(chosen) if chosen.step == "plan" else trial_command.cli_read(chosen)


def _watch(chosen: argparse.Namespace) -> int:
    from plantstats import writing  # noqa: PLC0415
    from plantstats.pages.warning_command import cli_watch  # noqa: PLC0415

    writing.check_folder(chosen.out)
    return cli_watch(chosen)


def _demo(chosen: argparse.Namespace) -> int:
    from plantstats import simulate  # noqa: PLC0415

    simulate.make(chosen.folder, chosen.plants, chosen.years, chosen.seed, faults=chosen.faults)
    print(f"An invented company of {chosen.plants} plants over {chosen.years} years: {chosen.folder}")
    return 0


def _validate(chosen: argparse.Namespace) -> int:
    from plantstats import writing  # noqa: PLC0415
    from plantstats.validation import run  # noqa: PLC0415

    writing.check_folder(chosen.out)
    report = run.page(chosen.companies, chosen.seed, chosen.out, chosen.workers)
    for sentence in report.sentences:
        print(sentence)
    for page in report.pages:
        print(f"Report: {page}")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="plantstats", description="What an interior-plant care company lost, and what to do about it."
    )
    parser.add_argument("--version", action="version", version=f"plantstats {__version__}")
    commands = parser.add_subparsers(dest="name", required=True, metavar="COMMAND")
    for name, (summary, add_arguments, run) in COMMANDS.items():
        command = commands.add_parser(name, help=summary)
        add_arguments(command)
        command.set_defaults(command=run)
    return parser


def _folder(command: argparse.ArgumentParser, text: str | None = None) -> None:
    command.add_argument("folder", type=Path, metavar="FOLDER", help=text)


def _as_of(command: argparse.ArgumentParser, text: str = "the last day that counts") -> None:
    command.add_argument("--as-of", type=_day, metavar="DATE", help=text)


def _out(command: argparse.ArgumentParser) -> None:
    command.add_argument("--out", type=Path, default=Path("reports"), help="folder for reports (default reports)")


def _where(command: argparse.ArgumentParser) -> None:
    text = "where plant-time is made: duckdb (in this process), or sc://HOST:PORT (Spark Connect)"
    command.add_argument("--engine", type=_engine, metavar="ADDRESS", help=text)


def _for_review(review: argparse.ArgumentParser) -> None:
    _folder(review)
    review.add_argument("--quarter", help="such as 2026-Q3; without it, the latest complete one")
    whose = review.add_mutually_exclusive_group()
    whose.add_argument("--client", type=_id, help="only the sites of this client id")
    whose.add_argument("--every-client", action="store_true", help="the page of each client, and a list of them")
    _as_of(review, "the last day that counts: 2026-10-12")
    _out(review)
    review.add_argument("--again", action="store_true", help="make it even if nothing has changed since it was made")
    # Pages of clients are not compared.
    text = "the earlier review to compare with (default: last quarter's in --out)"
    whose.add_argument("--since", type=Path, metavar="FOLDER", help=text)
    _where(review)


def _for_check(check: argparse.ArgumentParser) -> None:
    _folder(check)
    _as_of(check)
    check.add_argument("--set-aside", type=Path, metavar="FILE", help="write the rows set aside to a CSV file")


def _for_quote(quote: argparse.ArgumentParser) -> None:
    quote.add_argument("listed", type=Path, metavar="LIST", help="the plant list, CSV or XLSX")
    quote.add_argument("--records", type=Path, required=True, metavar="FOLDER", help="the company's records")
    quote.add_argument("--terms", type=Path, required=True, metavar="TERMS", help="the terms of the guarantee, TOML")
    _as_of(quote, "the last day of the records that counts")
    _out(quote)
    _where(quote)


def _for_watch(watch: argparse.ArgumentParser) -> None:
    _folder(watch)
    _as_of(watch)
    _out(watch)
    _where(watch)


def _for_demo(simulate: argparse.ArgumentParser) -> None:
    simulate.add_argument("folder", type=Path, metavar="DIR")
    simulate.add_argument("--plants", type=_count, default=2000)
    simulate.add_argument("--years", type=_years, default=3.0)
    simulate.add_argument("--seed", type=int, default=1)
    simulate.add_argument("--faults", action="store_true", help="with planted faults, listed in its README")


def _for_validate(validate: argparse.ArgumentParser) -> None:
    validate.add_argument("--companies", type=_count, default=400)
    text = "for development; without it the seed is drawn from the code"
    validate.add_argument("--seed", type=int, default=None, help=text)
    validate.add_argument("--workers", type=_count, default=2, help="processes (default 2)")
    _out(validate)


def _for_trial(trial: argparse.ArgumentParser) -> None:
    steps = trial.add_subparsers(dest="step", required=True, metavar="STEP")
    plan = steps.add_parser("plan", help="fix a trial before it starts: size, sites, visits, rule for stopping")
    _folder(plan, "the company's records")
    plan.add_argument("--intervals", type=_count, nargs=2, default=(7, 14), metavar="DAYS", help="(default 7 14)")
    plan.add_argument(
        "--outcome", choices=("dry", "leaves", "losses"), default="dry", help="what is compared (default dry)"
    )
    plan.add_argument(
        "--design", choices=("crossover", "parallel"), help="(default crossover: each site has both; losses: parallel)"
    )
    plan.add_argument("--difference", type=float, help="to be seen: points of dryness (10), or percent more (50)")
    plan.add_argument("--tolerate", type=float, metavar="POINTS", help="dryness that the longer interval may add")
    plan.add_argument("--weeks", type=_count, help="counted weeks of a period (default: as few as suffice)")
    plan.add_argument("--washout", type=_weeks, metavar="WEEKS", help="weeks of a period before those")
    plan.add_argument("--dry-depth", type=_depth, metavar="CM", help="dry means: down to so many centimetres")
    plan.add_argument("--start", type=_day, metavar="DATE", help="(default: a Monday two weeks after the records)")
    plan.add_argument("--seed", type=_seed, help="of the lot (default: the start as a number, 20261019)")
    read = steps.add_parser("read", help="what the trial says, or whether to stop it, from the records made since")
    _folder(read, "the company's records")
    read.add_argument("protocol", type=Path, metavar="PROTOCOL", help="the protocol.json of the plan")
    read.add_argument("--digest", help="the digest that was noted before the start")
    for step in (plan, read):
        _as_of(step, "the last day of the records that counts")
        step.add_argument("--out", type=Path, default=Path("trial"), help="folder for what is written (default trial)")


def _engine(text: str) -> str:
    from plantstats.settings import EngineSettings, SettingsError, validate  # noqa: PLC0415

    try:
        return validate(EngineSettings, {"address": text}, "--engine").address
    except SettingsError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date such as 2026-10-12") from None
    if not YEARS[0] <= day.year <= YEARS[1]:
        raise argparse.ArgumentTypeError(f"{text!r} lies outside the years {YEARS[0]} to {YEARS[1]}")
    return day


def _id(text: str) -> str:
    if not text.strip():
        raise argparse.ArgumentTypeError("is empty (an unset variable?); leave it out to mean all")
    return text


def _count(text: str, least: int = 1) -> int:
    if not text.isdecimal() or int(text) < least:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number of {least} or more")
    return int(text)


def _weeks(text: str) -> int:
    return 0 if text == "0" else _count(text)


def _up_to_100(text: str, what: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is not a {what} above 0, up to 100")
    return number


_seed = partial(_count, least=0)
_depth, _years = (partial(_up_to_100, what=what) for what in ("depth in centimetres", "number of years"))


# Name of a command: what it does, in a line; what adds its arguments; what runs it.
COMMANDS: dict[str, tuple[str, Callable[[argparse.ArgumentParser], None], Callable[[argparse.Namespace], int]]] = {
    "review": ("make the quarterly review of a folder of records", _for_review, _review),
    "check": ("read the records, say what was used and what was set aside", _for_check, _check),
    "settings": ("propose a settings file for a folder of records", _folder, _settings),
    "quote": ("what the replacement guarantee of a plant list will cost (an estimate)", _for_quote, _quote),
    "trial": ("plan a fair trial of two visit intervals, and read it", _for_trial, _trial),
    "watch": ("early warning between quarters; to be run weekly (exit code 3: alarm)", _for_watch, _watch),
    "demo": ("write the records of an invented company", _for_demo, _demo),
    "validate": ("hold every printed interval against invented companies of known truth", _for_validate, _validate),
}
