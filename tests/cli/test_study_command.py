"""`rigmon simulate --study` as a person uses it: table, JSON, what it refuses, and Ctrl-C."""

import json
import signal
from pathlib import Path

import pytest
from invoking import Made, done, refused
from terminal import Phone

SHORT = ("simulate", "--study", "--cell", "hose_off", "--jobs", 1)


def test_the_table_in_both_systems_and_the_same_as_json() -> None:
    us, metric = done(*SHORT, "--runs", 1), done(*SHORT, "--runs", 1, "--units", "metric")
    told = json.loads(done(*SHORT, "--runs", 1, "--json"))
    (cell,) = told["cells"]
    assert (cell["name"], cell["runs"], cell["rig"]) == ("hose_off", 1, "Creek rig")
    assert "half in, ft" in us
    assert "half in, m" in metric
    for text in (us, metric):
        assert text.startswith("Diagnoses: 1 runs of each, seed 1, receivers mixed, meters mixed;")
        assert "simulated and invented" in text
        assert "\nhose off " in text
    assert f"  {cell['delay_s']['median']['value']:.2f}".rstrip("0") in us


def test_what_is_asked_for_is_in_it() -> None:
    told = json.loads(
        done(
            *SHORT, "--runs", 1, "--json", "--seed", 7, "--false-alarms", 0.5, "--receiver", "white",
            "--meters", "correlated", "--flow-noise", 3, "--latency", "0.1 s",
        )
    )  # fmt: skip
    assert told["seed"] == 7
    assert told["false_alarms_per_h"] == 0.5
    assert told["noise"] == {
        "receiver": "white",
        "meters": "correlated",
        "fixed": {"flow_noise_pct": 3.0, "latency_s": 0.1},
    }
    assert told["complete"]


def test_a_rig_of_ones_own_gives_its_number_of_nozzles(made: Made) -> None:
    listed = done("simulate", "--study", "--list-cells", "--rig", made.rig)
    assert "plugged_1_of_12" in listed
    assert "of_18" not in listed
    assert "plugged_1_of_18" in done("simulate", "--study", "--list-cells")


@pytest.mark.parametrize(
    ("options", "naming"),
    [
        (("--study", "run.nmea"), "OUT"),
        (("--study", "--passes", 3), "--passes"),
        (("--study", "--event", "hose_off,10s,10s"), "--event"),
        (("--study", "--cell", "wheel"), "--cell 'wheel' is not known"),
        (("--study", "--false-alarms", 11), "--false-alarms 11"),
        (("--study", "--false-alarms", "nan"), "--false-alarms nan"),
        (("--study", "--receiver", "pink"), "receiver = 'pink'"),
        (("--study", "--runs", 0), "--runs"),
        (("--study", "--runs", 100_001), "--runs = 100001"),
        (("--study", "--cell", "hose_off", "--flow-noise", 51, "--jobs", 1), "flow_noise_pct = 51.0"),
        (("run.nmea", "--runs", 3), "--runs is of --study"),
        (("run.nmea", "--units", "us"), "--units is of --study"),
        (("run.nmea", "--list-cells"), "--list-cells is of --study"),
    ],
)
def test_what_cannot_be_is_refused(options: tuple[object, ...], naming: str, tmp_path: Path) -> None:
    refused("simulate", *options, naming=naming, cwd=tmp_path)


def test_ctrl_c_leaves_what_was_done_and_says_so(tmp_path: Path) -> None:
    with Phone(
        "simulate", "--study", "--cell", "hose_off", "--runs", 5000, "--jobs", 2, cwd=tmp_path, columns=100
    ) as phone:
        phone.wait_for("] 1 of 5000 runs")
        phone.process.send_signal(signal.SIGINT)
        phone.wait_for("STOPPED EARLY: ")
        assert int(phone.wait_for(" of 5000 runs").split()[0]) >= 1
        phone.wait_for("rigmon: stopped; what was done by then is above")
        assert phone.process.wait(30) == 130
