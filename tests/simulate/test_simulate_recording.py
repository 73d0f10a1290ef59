"""The recording as a file: determinism, sensors, TAG blocks, damage, and writing it."""

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from written import checksum_holds, fields, sources, still_driver

from rigmon.errors import UsageError
from rigmon.model import NmeaLine, Source
from rigmon.simulate import Event, Scenario, demo_rig, readings, simulate, write

SHORT = {"passes": 1, "pass_length_m": 40.0}


def test_the_same_parameters_give_the_same_bytes_and_another_seed_others() -> None:
    events = (Event("garbled", 5, 20, 0.3), Event("void_fix", 12, 4))
    first, again, other = (
        simulate(Scenario(**SHORT, seed=seed, correlated_noise_m_s=0.05, events=events)) for seed in (3, 3, 4)
    )
    assert first.recording_bytes() == again.recording_bytes()
    assert first.truth_bytes() == again.truth_bytes()
    assert first.recording_bytes() != other.recording_bytes()


def test_one_part_of_the_scenario_leaves_the_noise_of_the_others_alone() -> None:
    plain = simulate(Scenario(**SHORT))
    noisier = simulate(Scenario(**SHORT, correlated_noise_m_s=0.2, events=(Event("garbled", 5, 1),)))
    assert plain.truth["applied"] == noisier.truth["applied"]  # the driver drove the same
    sensed = [f for ms, f in fields(plain, "XDR") if ms > 6000]
    assert sensed == [f for ms, f in fields(noisier, "XDR") if ms > 6000]


def test_the_file_says_first_that_it_is_simulated_then_has_crlf_lines() -> None:
    simulation = simulate(Scenario(**SHORT, seed=77))
    content = simulation.recording_bytes()
    lines = content.split(b"\r\n")
    assert lines[0].startswith(b"# Simulated by rigmon")
    assert b"invented" in lines[0]
    assert b"Simulation version 1, seed 77" in lines[1]
    comments = [line for line in lines if line.startswith(b"#")]
    assert lines[: len(comments)] == comments
    assert lines[-1] == b""
    assert content.count(b"\n") == content.count(b"\r\n") == len(simulation.lines) + len(comments)


def test_xdr_has_the_rigs_names_the_field_units_and_the_sensors_sent() -> None:
    """The boom is on and steady at 20 s: 12 L/min = 0.2 L/s, 300 kPa = 3 bar (hand-worked)."""
    at_20_s = [f for ms, f in fields(simulate(still_driver(passes=1)), "XDR") if ms == 20_000]
    assert at_20_s == [
        ["YXXDR", "P", "3.0000", "B", "BOOM", "R", "0.20000", "l", "FLOW", "S", "1", "", "BOOM"]
    ]
    only = simulate(still_driver(passes=1, sensors=("switch",)))
    assert {tuple(f[1:]) for _, f in fields(only, "XDR")} == {("S", "0", "", "BOOM"), ("S", "1", "", "BOOM")}


def test_without_sensors_there_is_no_xdr() -> None:
    simulation = simulate(Scenario(**SHORT, rig=sources(demo_rig())))
    assert fields(simulation, "XDR") == []
    assert b"sensors in XDR: none" in simulation.header[2]


@pytest.mark.parametrize("hz", [1, 2, 10])
def test_sensors_keep_their_own_rate(hz: int) -> None:
    simulation = simulate(Scenario(**SHORT, sensor_hz=hz))
    times = [ms for ms, _ in fields(simulation, "XDR")]
    assert times == [round(1000 * k / hz) for k in range(len(times))]
    assert len(times) == pytest.approx(simulation.truth["run"]["duration_s"] * hz, abs=1)
    assert list(simulation.times_ms) == sorted(simulation.times_ms)


def test_sensor_noise_has_the_standard_deviation_asked_for() -> None:
    simulation = simulate(
        still_driver(
            passes=1, pass_length_m=2000.0, sentences=("RMC",), flow_noise_pct=1.5, pressure_noise_pct=0.8
        )
    )
    steady = [f for ms, f in fields(simulation, "XDR") if 20_000 < ms < 1_000_000]
    flow, bar = (np.array([float(f[i]) for f in steady]) for i in (6, 2))
    # 4 900 draws: standard error 1 %
    assert flow.std() == pytest.approx(0.015 * 0.2, rel=0.06)
    assert flow.mean() == pytest.approx(0.2, rel=0.002)
    assert bar.std() == pytest.approx(0.008 * 3, rel=0.06)


def test_a_silent_sensor_is_left_out_and_the_others_speak_on() -> None:
    events = (Event("flow_silent", 12, 4), Event("pressure_silent", 18, 4), Event("switch_silent", 24, 4))
    simulation = simulate(Scenario(passes=1, events=events))
    for ms, f in fields(simulation, "XDR"):
        heard = {kind for kind in ("P", "R", "S") if kind in f}
        missing = {"P", "R", "S"} - heard
        expected = {
            kind
            for kind, event in zip(("R", "P", "S"), events, strict=True)
            if event.start_s * 1000 <= ms < event.end_s * 1000
        }
        assert missing == expected
    alone = simulate(Scenario(passes=1, sensors=("flow",), events=(Event("flow_silent", 12, 4),)))
    assert not [ms for ms, _ in fields(alone, "XDR") if 12_000 <= ms < 16_000]


def test_tag_blocks_carry_the_time_of_sending_and_their_own_checksum() -> None:
    start = datetime(2026, 6, 1, 9, 0, 0, tzinfo=UTC)
    simulation = simulate(Scenario(**SHORT, tag_blocks=True, sensor_hz=7, start_utc=start))
    for ms, line in zip(simulation.times_ms, simulation.lines, strict=True):
        _, tag, sentence = line.split(b"\\")
        assert sentence.startswith(b"$")
        assert checksum_holds(b"$" + tag)
        assert int(tag[2 : tag.index(b"*")]) == int(start.timestamp()) * 1000 + ms


def test_only_damaged_lines_have_a_wrong_checksum_and_all_damage_is_counted() -> None:
    simulation = simulate(Scenario(passes=2, events=(Event("garbled", 30, 60, 0.3),)))
    counted = simulation.truth["input"]
    broken = [
        ms
        for ms, line in zip(simulation.times_ms, simulation.lines, strict=True)
        if b"$" not in line or not checksum_holds(line) or not line.startswith(b"$") or line.count(b"$") > 1
    ]
    assert all(30_000 <= ms < 90_000 for ms in broken)
    assert len(broken) == counted["damaged_lines"] == sum(counted["damaged_by_kind"].values())
    assert all(n > 10 for n in counted["damaged_by_kind"].values())
    # 30 % of the 1 200 lines of a minute, less the lines that merged lines swallowed
    assert len(broken) == pytest.approx(0.3 * 1200, rel=0.2)
    assert (
        counted["lines"]
        == len(simulation.lines)
        == counted["sentences"] - counted["damaged_by_kind"]["merged"]
    )


def test_each_kind_of_damage_is_what_it_says() -> None:
    whole = Scenario(passes=1)
    sent = set(simulate(whole).lines)
    damaged = simulate(Scenario(passes=1, events=(Event("garbled", 10, 50, 0.4),))).lines
    seen = dict.fromkeys(("bit_flip", "truncated", "junk_before", "merged"), 0)
    for line in damaged:
        assert b"\n" not in line
        assert b"\r" not in line
        if line in sent:
            continue
        at = line.rfind(b"$")
        if line.count(b"$") == 2:
            seen["merged"] += 1
            assert line[at:] in sent  # the sentence that follows is whole
        elif at > 0 and line[at:] in sent:
            seen["junk_before"] += 1
        elif any(full.startswith(line) for full in sent):
            seen["truncated"] += 1
        else:
            seen["bit_flip"] += 1
            assert not checksum_holds(line)
            twins = [full for full in sent if len(full) == len(line)]
            assert any(
                sum((a ^ b).bit_count() for a, b in zip(full, line, strict=True)) == 1 for full in twins
            )
    assert all(seen.values())


def test_readings_are_the_lines_with_their_stamps() -> None:
    simulation = simulate(Scenario(**SHORT))
    as_read = list(readings(simulation))
    assert [line.raw for _, _, line in as_read] == list(simulation.lines)
    assert as_read[0] == (0, Source.GPS, NmeaLine(simulation.lines[0]))
    assert as_read[-1][0] == simulation.times_ms[-1] * 1_000_000


def test_files_are_written_and_never_overwritten_unasked(tmp_path: Path) -> None:
    simulation = simulate(Scenario(**SHORT))
    recording, truth = tmp_path / "a.nmea", tmp_path / "a.truth.json"
    write(simulation, recording, truth)
    assert recording.read_bytes() == simulation.recording_bytes()
    assert json.loads(truth.read_bytes()) == simulation.truth
    other = simulate(Scenario(**SHORT, seed=2))
    recording.unlink()
    with pytest.raises(UsageError, match=r"a\.truth\.json: exists already"):
        write(other, recording, truth)
    assert not recording.exists()
    write(other, recording, truth, overwrite=True)
    assert recording.read_bytes() == other.recording_bytes()


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    simulation = simulate(Scenario(**SHORT))
    with pytest.raises(UsageError, match=r"nowhere/a\.nmea: cannot be written: No such file"):
        write(simulation, tmp_path / "nowhere" / "a.nmea", tmp_path / "a.json")
    with pytest.raises(UsageError, match="two different files"):
        write(simulation, tmp_path / "a", tmp_path / "a")
