"""What a person does on the crew's page, from the tap to the run log: the real daemon, a real browser."""

import json
import subprocess
from datetime import date
from pathlib import Path
from typing import Any

from browser import Watched
from helpers.pages import PATIENCE_S
from helpers.running import RUN, Receiver, Rig

from rigmon.calibration.book import Book
from rigmon.log.reader import RunLog
from rigmon.model import Acknowledge, BeginRun, EndRun, Note, Refill, Retarget, Source


def test_taps_on_the_page_are_readings_of_the_run_log(browser: Any, tmp_path: Path) -> None:
    # a meter that never speaks: its alert is there to be acknowledged
    rig = Rig(tmp_path, {"flow": {"source": "xdr"}, "tank": {"volume": "400 L"}})
    with Book(tmp_path / "calibration.sqlite") as book:  # invented: 90 L/ha at 2.2 m/s
        figures = {"rate_l_ha": 90.0, "speed_m_s": 2.2}
        book.add("target", "Round rig", "", None, date(2026, 5, 30), {"tolerance_pct": 8.0}, figures)
    receiver = Receiver(tmp_path / "no-receiver")
    process = rig.start("--pages", "--quiet")
    try:
        rig.feed().close()
        with Watched(browser, f"http://127.0.0.1:{rig.port}/crew", allowed=("409",)) as watched:
            watched.open()
            watched.wait("!document.querySelector('#pair button').disabled", PATIENCE_S)
            (one,) = json.loads(rig.pair("--json").stdout)
            watched.page.fill("#code", one["code"])
            watched.page.click("#pair button")
            page = watched.page
            page.wait_for_selector("#deeds", state="visible")

            def tap(button: str, said: str = "Done") -> None:
                page.wait_for_function(
                    "(button) => document.querySelector(button) && !document.querySelector(button).disabled",
                    arg=button,
                    timeout=1000 * PATIENCE_S,
                )
                page.dblclick(button, force=True)
                page.wait_for_function(
                    "(said) => document.getElementById('said-words').textContent.startsWith(said)",
                    arg=said,
                    timeout=1000 * PATIENCE_S,
                )

            page.fill("#note-text", "gate left open")
            tap("[data-act=note] button")
            page.fill("#refill-volume", "95")
            page.check("#refill-full")
            tap("[data-act=refill] button")
            watched.wait("document.getElementById('tank-level').textContent === '400.0 L'", PATIENCE_S)
            tap("#alert-list button")
            watched.wait(
                "document.getElementById('alert-list').textContent.includes('acknowledged')", PATIENCE_S
            )
            page.fill("#end-why", "tea")
            tap("[data-act=end_run] button")
            watched.wait("document.getElementById('state').textContent === 'between runs'", PATIENCE_S)
            tap("[data-act=begin_run] button")
            watched.wait("document.getElementById('state').textContent === 'run going on'", PATIENCE_S)
            before = watched.text("#target")
            page.select_option("#target-choice", index=0)
            tap("[data-act=retarget] button")
            # it shows by the new target from the next run on
            watched.wait("document.getElementById('target').textContent.startsWith('90.0 L/ha')", PATIENCE_S)
            assert before.startswith("100.0 L/ha")
            receiver.speed_m_s = 2.0
            watched.wait("document.getElementById('why').textContent.includes('stop first')", PATIENCE_S)
            assert page.is_disabled("[data-act=note] button")
            # a page that does not hold back is refused by the daemon itself
            answer = page.evaluate(
                """() => fetch("/api/act", { method: "POST", headers: { "Content-Type": "application/json" },
                   body: JSON.stringify({ act: "note", text: "on the move" }) }).then((got) => got.json())"""
            )
            assert "stop first" in answer["error"]
            watched.no_fault()
        process.terminate()
        _, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, err
    finally:
        process.kill()
        process.communicate()
        receiver.close()
    done: list[Any] = []
    for path in sorted((tmp_path / "runs").glob("*.sqlite"), key=lambda path: path.stat().st_mtime_ns):
        with RunLog.open(path) as log:
            done += [reading.payload for reading in log.readings() if reading.source is Source.PERSON]
        check = subprocess.run(
            [*RUN, "check", str(path)], capture_output=True, text=True, check=False, timeout=60
        )
        assert check.returncode == 0, check.stdout + check.stderr
    assert done.count(Note("gate left open")) == 1
    assert done.count(Refill(95.0, True)) == 1
    assert done.count(EndRun("tea")) == 1
    assert sum(isinstance(one, BeginRun) for one in done) == 1
    assert sum(isinstance(one, Retarget) for one in done) == 1
    assert Acknowledge("flow_silent") in done
    assert Note("on the move") not in done
