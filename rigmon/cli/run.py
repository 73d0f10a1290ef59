"""rigmon run"""

import faulthandler
import os
import time
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rigmon.cli.common import driver_feedback, page_address, print_json, program, refuse_folder, typed
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.daemon import RunOutcome
    from rigmon.rig import Rig

#: how long the service stays after it asked for power-off, so that the request is not taken down with it
_POWER_OFF_WAIT_S = 10.0


@click.command("run")
@click.option("--rig", "rig_file", type=click.Path(path_type=Path), required=True, help="Rig file (TOML).")
@click.option(
    "--for", "stop_after_s", type=float, metavar="SECONDS", help="Stop after so many seconds, for tries."
)
@click.option(
    "--log",
    "log_path",
    type=click.Path(path_type=Path),
    help="Run log to write; left out: a new one in the rig file's log.folder.",
)
@click.option("--no-log", is_flag=True, help="Write no run log.")
@click.option(
    "--pages", is_flag=True, help="Serve the live pages too, as with enabled = true in the rig file's [web]."
)
@click.option("--quiet", is_flag=True, help="No driver's lines.")
@click.option(
    "--json", "as_json", is_flag=True, help="No driver's lines; one JSON object at the end of each run."
)
def command(
    rig_file: Path,
    stop_after_s: float | None,
    log_path: Path | None,
    no_log: bool,
    pages: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """The daemon: read the sensors, guide the driver, write the run log.

    The driver's lines are in the rig file's units: mph, gal/ac, psi or km/h, L/ha, kPa. Ctrl-C or SIGTERM
    stops it and closes the log. It is one run from start to stop, unless the rig file's [runs] lets runs
    begin with the work and end by themselves: then each has a log of its own. Calibrate with clean water;
    the label is the law; keep your eyes on the ground.
    """
    from rigmon import config, daemon
    from rigmon.calibration.book import CHOSEN_TARGET, records_in_use
    from rigmon.edge.hub import Hub, MonotonicClock
    from rigmon.lifecycle import SUPPLY_FAILED, has_rules
    from rigmon.log.header import new_log_path, new_run_id
    from rigmon.log.space import SpaceKeeper
    from rigmon.model import Source
    from rigmon.words import watched_words

    if no_log and log_path is not None:
        raise UsageError(f"--no-log and --log {log_path} exclude each other; leave one of them out")
    if log_path is not None:
        refuse_folder(log_path, "run.sqlite")
    if stop_after_s is not None and not 0 < stop_after_s < 1e9:
        raise UsageError(f"--for {stop_after_s:g} must be a number of seconds above 0, such as 60")
    rig, rig_toml = config.load(rig_file)
    several = has_rules(rig) and not no_log
    if several and log_path is not None:
        raise UsageError(
            f"--log {log_path} names one run log, but [runs] in {rig_file} makes several; leave out --log "
            "(they go into log.folder), or the keys begin, end_after and stop_pin"
        )
    # people who see pages begin and end runs there
    shown = _pages_wanted(rig, pages)
    several = several or (shown and not no_log and log_path is None)
    records, doubts = records_in_use(rig, rig_file)
    record_texts = [record.text() for record in records]
    chosen = None
    if shown or os.path.lexists(Path(rig.runs_folder) / CHOSEN_TARGET):
        from rigmon.calibration.chosen import ChosenTarget

        chosen = ChosenTarget(rig_file, rig, rig_toml)
        new, words = chosen.remembered()
        if new is not None:
            rig, rig_toml, record_texts = new.rig, new.rig_toml, list(new.records)
        if words is not None:
            doubts.append(words)
    hub = Hub(MonotonicClock())
    sources: list[daemon.RunSource] = [*daemon.live_sources(rig, hub), *daemon.control_sources(rig, hub)]
    _tell_of_ports(rig)
    for doubt in doubts:
        click.echo(f"rigmon: {doubt}", err=True)
    acts = link = None
    if shown:
        from rigmon.edge.acts import Acts
        from rigmon.edge.pages import PagesLink

        acts = Acts(hub, rig, chosen)
        link = PagesLink(rig, rig_toml, hub, acts, records=record_texts)
    folder = Path(rig.runs_folder)
    make_room = None
    if rig.log_space.keep_free_mb and not no_log and log_path is None:
        keeper = SpaceKeeper(
            folder, rig.log_space, lambda news: hub.put(hub.clock.now_ns(), Source.LOG, news)
        )
        sources.append(keeper)
        make_room = keeper.look
    notifier = None
    if "NOTIFY_SOCKET" in os.environ:
        from rigmon.edge.notify import service_notifier

        notifier = service_notifier(rig)
    if notifier is not None:
        faulthandler.enable()  # when the watchdog ends a stuck process, the journal says where it was stuck
    lines = not (quiet or as_json)
    if lines and rig.diagnosis.enabled:
        click.echo(watched_words(rig.flow.source != "none", rig.pressure.source != "none"))
    feedback = driver_feedback(rig, lines, {} if link is None else {"pages": link})
    if link is not None and lines:
        click.echo(f"Pages: {page_address(rig.web)} for the driver, {page_address(rig.web)}crew for the crew")
        click.echo(f"What is done there needs the code that '{program()} pair' shows.")
    if several:
        # where the driver's lines are shown, they tell of each run, and only the last is said again
        ended: deque[RunOutcome] = deque(maxlen=1)
        served = daemon.serve(
            rig,
            rig_toml,
            lambda run_id: new_log_path(folder, run_id),
            sources,
            hub,
            feedback,
            ended.append if lines else lambda outcome: _report(outcome, as_json),
            stop_after_s=stop_after_s,
            records=record_texts,
            notifier=notifier,
            make_room=make_room,
            carry_in=folder,
            acts=acts,
            watcher=link,
        )
        ended_why, troubles = served.ended_why, served.troubles
        if lines and ended and ended[-1].ended_why != ended_why:
            click.echo(f"Ended between runs: {ended_why}")
        for last in ended:
            _report(last, as_json)
        if not (served.runs or as_json):
            click.echo(f"No run: the boom was never on while the rig moved ({ended_why})")
    else:
        run_id = new_run_id()
        if link is not None:
            link.began(run_id)
        outcome = daemon.run(
            rig,
            rig_toml,
            None if no_log else log_path or new_log_path(folder, run_id),
            sources,
            hub,
            feedback,
            run_id=run_id,
            stop_after_s=stop_after_s,
            records=record_texts,
            notifier=notifier,
            make_room=make_room,
            carry_in=None if no_log else folder,
            acts=acts,
        )
        ended_why, troubles = outcome.ended_why, ()
        _report(outcome, as_json)
    for trouble in troubles:
        click.echo(f"rigmon: {trouble}", err=True)
    if ended_why == SUPPLY_FAILED:
        _power_off()


def _pages_wanted(rig: "Rig", asked: bool) -> bool:
    """Whether pages are served. Raises UsageError where they were asked for and cannot be.

    A rig file that asks for them must not cost the driver the guidance: then it is told, and that is all.
    """
    if not (asked or rig.web.enabled):
        return False
    from rigmon.edge.pages import check_pages

    try:
        check_pages(rig)
    except UsageError as error:
        if asked:
            raise
        click.echo(f"rigmon: no pages: {error}", err=True)
        return False
    return True


def _report(outcome: "RunOutcome", as_json: bool) -> None:
    """How a run went, when its log is closed."""
    for trouble in outcome.troubles:
        click.echo(f"rigmon: {trouble}", err=True)
    if as_json:
        print_json(
            {
                "run_id": outcome.run_id,
                "run_log": None if outcome.log_path is None else str(outcome.log_path),
                "duration_s": outcome.ended_ns / 1e9,
                "ended_why": outcome.ended_why,
                "readings": outcome.readings,
                "outputs": outcome.outputs,
                "troubles": list(outcome.troubles),
            }
        )
    elif outcome.log_path is not None:
        click.echo(f"Run log: {outcome.log_path} ({outcome.ended_why})")
        click.echo(f"How it went: {program()} score {typed(outcome.log_path)}")


def _power_off() -> None:
    """Ask for it, as a service, and stay until it comes; the log is closed already."""
    from rigmon.edge.notify import ask_for_power_off

    try:
        asked = ask_for_power_off()
    except OSError as error:
        click.echo(f"rigmon: the supply failed, and power-off cannot be asked for: {error}", err=True)
        return
    if asked is not None:
        click.echo("rigmon: the supply failed: the run log is closed, power-off is asked for", err=True)
        time.sleep(_POWER_OFF_WAIT_S)


def _tell_of_ports(rig: "Rig") -> None:
    """A port that is not there may still come, so it is no error; but the person should know."""
    for key, port in (("gps.port", rig.gps.port), ("node.port", rig.node.port)):
        if port is None or "://" in port:
            continue
        if not os.path.exists(port):
            why = "is not there yet; is it plugged in?"
        elif not os.access(port, os.R_OK | os.W_OK):
            why = "may not be used by this user; is the user in the group 'dialout'?"
        else:
            continue
        click.echo(f"rigmon: {key} = '{port}' {why} Trying again and again.", err=True)
