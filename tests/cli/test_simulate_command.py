"""rigmon simulate with faults of the plumbing, noise and the like, as typed in a shell."""

import json
from pathlib import Path

import pytest
from invoking import done, refused


def truth(tmp_path: Path, *options: str) -> dict[str, object]:
    found: dict[str, object] = json.loads(
        done("simulate", "run.nmea", "--passes", "1", "--json", "--force", *options, cwd=tmp_path)
    )
    return found


def test_a_fault_as_typed_is_in_the_truth_with_what_it_did(tmp_path: Path) -> None:
    """Two of 12 nozzles: C falls by a sixth."""
    made = truth(tmp_path, "--event", "nozzles_plugged,20s,20s,ramp=5s,nozzles=3+4", "--bypass", "50")
    (event,) = made["events"]  # type: ignore[misc]
    assert (event["nozzles"], event["size"], event["ramp_s"]) == ([3, 4], 2, 5)
    assert event["true"]["coefficient_pct"] == pytest.approx(-100 / 6)
    assert made["scenario"]["bypass_pct"] == 50  # type: ignore[index]
    assert json.loads((tmp_path / "run.truth.json").read_bytes()) == made


def test_a_run_with_faults_can_be_repeated_from_its_truth(tmp_path: Path) -> None:
    events = ("--event", "leak,20s,20s,10%", "--event", "flowmeter_air,30s,20s")
    truth(tmp_path, "--noise", "rough", "--vibration-hz", "12.5", "--suction-loss", "1 psi", *events)
    done("simulate", "again.nmea", "--repeat", "run.truth.json", cwd=tmp_path)
    assert (tmp_path / "again.nmea").read_bytes() == (tmp_path / "run.nmea").read_bytes()


def test_a_noise_typed_beside_the_typical_one_stands(tmp_path: Path) -> None:
    asked = truth(tmp_path, "--noise", "usual", "--white-noise", "0.07 m/s")["scenario"]
    assert (asked["white_noise_m_s"], asked["pressure_wander_pct"]) == (0.07, 2.0)  # type: ignore[index]


@pytest.mark.parametrize(
    ("options", "naming"),
    [
        (("--noise", "loud"), "noise 'loud' is not known; use one of: calm, usual, rough"),
        (("--event", "nozzles_plugged,20s,5s,nozzles=13"), "nozzle 13 is not there; the rig has 12"),
        (("--event", "nozzles_plugged,20s,5s,8%"), "size '8%' must be a number of nozzles"),
        (("--event", "leak,20s,5s,10%,nozzles=1"), "names no nozzles"),
        (("--pump-shutoff", "1"), "pump_shutoff_ratio = 1.0 must be between 1.01 and 1000"),
        (("--bypass", "200", "--valve-rise", "60"), "bypass_pct = 200 with valve_rise_pct = 60"),
        (("--pulsation", "nan"), "pulsation_pct = nan must be between 0 and 50"),
    ],
)
def test_what_cannot_be_is_refused_by_name(tmp_path: Path, options: tuple[str, ...], naming: str) -> None:
    refused("simulate", "run.nmea", "--passes", "1", *options, naming=naming, cwd=tmp_path)
    assert list(tmp_path.iterdir()) == []
