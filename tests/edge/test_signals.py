"""What lights and buzzer show, from samples and alerts: legal, monotone, symmetrical, else silent."""

from dataclasses import replace

import pytest
from fakes import RIG_TOML
from hypothesis import assume, given
from hypothesis import strategies as st

from rigmon import config
from rigmon.edge.feedback import advice
from rigmon.edge.guide import speed_to_hold
from rigmon.edge.signals import (
    DAMPED_S,
    LAMP_TEST_STEP_S,
    MANNERS,
    RHYTHM,
    SPEED_SOUND_AFTER_S,
    STALE_S,
    Light,
    Signal,
    Sound,
    changes_in_s,
    chirp,
    lamp_test,
    level,
    signal,
)
from rigmon.model import Basis, Sample
from rigmon.rig import Lights, Rig
from rigmon.words import ALERT_WORDS

D, ON, SLOW, FAST = Light.DARK, Light.STEADY, Light.SLOW, Light.FAST
CREEK = config.parse(RIG_TOML, "rig.toml")

#: hand-worked: at this flow [L/min] 100 L/ha on a swath of 6.096 m (12 x 20 in) takes 2 m/s:
#: 100 x 2 x 6.096 x 60 / 1e4
FLOW = 100 * 2 * 6.096 * 60 / 1e4
#: 2 m/s, at +-10 % on the rate, hand-worked: 2 / 1.1 and 2 / 0.9
LOW, HOLD, HIGH = 1.8182, 2.0, 2.2222


def rig_with(n: int, trouble: int | None = 27) -> Rig:
    target = replace(CREEK.target, rate_l_ha=100.0, speed_m_s=2.0)
    return replace(CREEK, target=target, lights=Lights(tuple(range(2, 2 + n)), trouble))


def sample(**changes: object) -> Sample:
    """Boom on, at the speed to hold."""
    base = Sample(
        t_ns=10**9, dt_ns=2 * 10**8, lat_deg=None, lon_deg=None, track_deg=None, speed_m_s=HOLD,
        speed_sd_m_s=0.02, flow_l_min=FLOW, pressure_kpa=None, boom_on=1, rate_l_ha=100.0, rate_u_pct=5.0,
        basis=Basis.FLOWMETER, distance_m=0.4, area_m2=2.4, volume_l=0.02, flags=0,
    )  # fmt: skip
    return base._replace(**changes)  # type: ignore[arg-type]


def shown(
    speed_m_s: float | None,
    n: int = 5,
    before: Signal | None = None,
    later_s: float = 60.0,
    **changes: object,
) -> Signal:
    """After `before`, the sample comes so late that the needle has come to rest."""
    t_ns = 10**9 if before is None else before.t_ns + round(later_s * 1e9)
    return signal(sample(speed_m_s=speed_m_s, t_ns=t_ns, **changes), {}, rig_with(n), 0.1, before)


# -- the strip -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed_m_s", "lights"),
    [
        (1.80, (SLOW, D, D)),
        (1.85, (ON, ON, D)),  # used up, hand-worked: (2 - 1.85) / (2 - 1.8182) = 0.83 of the slow side
        (HOLD, (D, ON, D)),
        (2.15, (D, ON, ON)),  # (2.15 - 2) / (2.2222 - 2) = 0.68, above the third where the middle ends
        (2.23, (D, D, FAST)),
    ],
)
def test_three_lights(speed_m_s: float, lights: tuple[Light, ...]) -> None:
    assert shown(speed_m_s, 3).lights == lights


@pytest.mark.parametrize(
    ("share", "lights"),
    # seven steps of 2/7 of the tolerance: borders at 1/7 = 0.14, 3/7 = 0.43 and 5/7 = 0.71 to either side
    [
        (-0.99, (ON, ON, D, D, D)),
        (-0.6, (D, ON, D, D, D)),
        (-0.3, (D, ON, ON, D, D)),
        (0.0, (D, D, ON, D, D)),
        (0.1, (D, D, ON, D, D)),
        (0.3, (D, D, ON, ON, D)),
        (0.6, (D, D, D, ON, D)),
        (0.99, (D, D, D, ON, ON)),
    ],
)
def test_five_lights_move_by_halves(share: float, lights: tuple[Light, ...]) -> None:
    speed = HOLD + share * ((HIGH - HOLD) if share > 0 else (HOLD - LOW))
    assert shown(speed, 5).lights == lights


def test_of_an_even_number_the_two_in_the_middle_are_the_middle() -> None:
    assert shown(HOLD, 4).lights == (D, ON, ON, D)
    assert shown(HOLD, 8).lights == (D, D, D, ON, ON, D, D, D)


def test_the_band_follows_the_flow_when_pressure_sags() -> None:
    # orifice law, hand-worked: 64 % of the pressure, 80 % of the flow, 80 % of the speed: 1.6 m/s
    assert shown(1.6, flow_l_min=0.8 * FLOW).lights == (D, D, ON, D, D)
    assert shown(HOLD, flow_l_min=0.8 * FLOW).lights == (D, D, D, D, FAST)


def test_with_the_boom_off_the_strip_is_dark() -> None:
    assert shown(HOLD, boom_on=0, flow_l_min=0.0).lights == (D,) * 5
    assert shown(None, boom_on=0, flow_l_min=0.0).lights == (D,) * 5


@pytest.mark.parametrize("n", [3, 5, 8])
@pytest.mark.parametrize(
    "changes", [{"speed_m_s": None}, {"flow_l_min": None}, {"flow_l_min": 0.0}, {"boom_on": None}]
)
def test_what_is_unknown_is_both_ends_and_never_a_position(n: int, changes: dict[str, object]) -> None:
    before = shown(HOLD, n)
    now = signal(sample(t_ns=2 * 10**9, **changes), {}, rig_with(n), 0.1, before)
    assert now.lights == (ON, *[D] * (n - 2), ON)
    assert now.spot is None


def test_standing_with_the_boom_on_is_too_slow() -> None:
    assert shown(0.0).lights == (SLOW, D, D, D, D)


def test_before_the_first_sample_nothing_is_known() -> None:
    start = signal(None, {}, rig_with(3), 0.0)
    assert start == Signal((ON, D, ON), D, Sound.NONE)
    assert signal(None, {}, rig_with(3), STALE_S).trouble is ON


def test_a_sample_that_nothing_follows_stops_counting() -> None:
    alerts = {"pressure_loss": 9.0}
    before = signal(sample(), alerts, rig_with(3), STALE_S - 0.001)
    assert before[:4] == ((D, ON, D), FAST, Sound.FLOW, 0)
    assert signal(sample(), alerts, rig_with(3), STALE_S, before) == Signal((ON, D, ON), ON, Sound.NONE)


def test_a_rig_without_a_strip_has_its_sounds_and_its_trouble_light() -> None:
    rig = rig_with(0)
    fast = signal(sample(speed_m_s=3.0), {"speed_fast": 9.0, "gps_implausible": 1.0}, rig, 0.1)
    assert fast[:4] == ((), ON, Sound.TOO_FAST, 2)


def test_the_spot_does_not_tremble_about_a_border() -> None:
    """The step's border is at 1/7 of the tolerance; it is left 1/10 of the tolerance later."""
    middle = shown(HOLD)
    border = HOLD + (HIGH - HOLD) / 7
    just_past = shown(border + 0.01, before=middle)
    assert just_past.spot == 0
    assert shown(border + 0.01).spot == 1
    assert shown(border + 0.03, before=just_past).spot == 1


def test_the_needle_lags_by_its_time_constant() -> None:
    """First-order lag: after one time constant 1 - 1/e = 63 % of a small step is shown, after three 95 %."""
    middle = shown(HOLD, before=shown(HOLD))
    for constants, part in ((1, 0.632), (3, 0.950)):
        step = shown(HOLD + 0.5 * (HIGH - HOLD), before=middle, later_s=constants * DAMPED_S)
        assert step.share == pytest.approx(0.5 * part, rel=0.01)


def test_a_lasting_overspeed_flashes_within_a_second() -> None:
    """25 % too fast. Hand-worked: the needle aims at 1.5 and passes 1 at 0.8 s x ln 3 = 0.88 s."""
    now = shown(HOLD, before=shown(HOLD))
    took = 0
    while now.lights[-1] is not FAST:
        now = shown(1.25 * HOLD, before=now, later_s=0.2)
        took += 1
    assert took == 5  # samples of 0.2 s: the first after 0.88 s


def test_while_the_pressure_rises_after_the_boom_came_on_the_strip_stays_dark() -> None:
    off = shown(HOLD, boom_on=0, flow_l_min=0.0, before=shown(HOLD))
    starved = shown(HOLD, flow_l_min=FLOW / 2, before=off, later_s=0.2)
    assert starved.lights == (D,) * 5
    assert shown(HOLD, before=starved, later_s=0.9).lights == (D,) * 5
    assert shown(HOLD, before=starved, later_s=1.0).lights == (D, D, ON, D, D)


def test_stamps_that_begin_anew_with_a_run_leave_no_trace_of_the_last() -> None:
    last = shown(1.0, before=shown(1.0), later_s=30_000.0)
    first = signal(sample(t_ns=5), {}, rig_with(5), 0.1, last)
    assert first.lights == (D, D, ON, D, D)


def test_a_spot_that_comes_back_after_the_unknown_starts_where_the_speed_is() -> None:
    unknown = shown(None, before=shown(1.0))
    assert shown(HOLD, before=unknown, later_s=0.2).lights == (D, D, ON, D, D)


def test_the_edge_of_the_band_is_told_at_once_and_left_a_little_later() -> None:
    in_band = shown(HIGH - 0.001)
    out = shown(HIGH + 0.001, before=in_band)
    assert out.lights[-1] is FAST
    assert shown(HIGH - 0.01, before=out).lights[-1] is FAST  # within a tenth of the tolerance, 0.022 m/s
    assert shown(HIGH - 0.03, before=out).lights == (D, D, D, ON, ON)


ns = st.integers(3, 8)
speeds = st.one_of(st.none(), st.floats(0, 20), st.floats(1.7, 2.4))
flows = st.one_of(st.none(), st.floats(0, 300), st.just(FLOW))
booms = st.sampled_from([None, 0, 1])
codes = st.sampled_from([*config.ALERT_CODES, "one of tomorrow's"])
alert_sets = st.dictionaries(codes, st.floats(0, 100))


@given(ns, speeds, flows, booms, alert_sets, st.floats(0, 5), speeds, st.integers(0, 10**10))
def test_any_sample_gives_a_legal_signal(
    n: int, speed: float | None, flow: float | None, boom: int | None,
    alerts: dict[str, float], age_s: float, speed_before: float | None, later_ns: int,
) -> None:  # fmt: skip
    rig = rig_with(n)
    before = shown(speed_before, n)
    newest = sample(speed_m_s=speed, flow_l_min=flow, boom_on=boom, t_ns=before.t_ns + later_ns)
    now = signal(newest, alerts, rig, age_s, before)
    lit = [i for i, light in enumerate(now.lights) if light is not D]
    patterns = {now.lights[i] for i in lit}
    assert len(now.lights) == n
    spot = now.spot
    if spot is None:
        assert lit in ([], [0, n - 1])
        assert patterns <= {ON}
    elif abs(spot) == n - 1:
        assert (lit, patterns) == (([0], {SLOW}) if spot < 0 else ([n - 1], {FAST}))
    else:
        assert patterns == {ON}
        assert len(lit) in (1, 2)
        assert lit[-1] - lit[0] == len(lit) - 1
        assert lit[0] + lit[-1] == n - 1 + spot
        assert lit not in ([0], [n - 1], [0, n - 1])
    # flashing and sound: only with the boom known to be on, by a sample that counts
    if boom != 1 or age_s >= STALE_S:
        assert now.sound is Sound.NONE
        assert not {SLOW, FAST} & {*now.lights, now.trouble}
    if not alerts and age_s < STALE_S:
        assert (now.trouble, now.sound) == (D, Sound.NONE)


@given(ns, st.floats(0, 20), st.floats(0, 20), st.floats(0.5, 300), speeds, st.floats(0, 10))
def test_the_spot_is_monotone_in_speed(
    n: int, a: float, b: float, flow: float, speed_before: float | None, later_s: float
) -> None:
    slower, faster = sorted((a, b))
    for before in (None, shown(speed_before, n)):
        spots = [shown(v, n, before, later_s, flow_l_min=flow).spot for v in (slower, faster)]
        assert spots[0] is not None
        assert spots[1] is not None
        assert spots[0] <= spots[1]


@given(ns, st.floats(-1.5, 1.5))
def test_the_two_sides_mean_the_same(n: int, share: float) -> None:
    """The same share of the tolerance to either side is the mirror picture; only the rhythm differs."""
    low, high = speed_to_hold(sample(), rig_with(n))[1] or (0.0, 0.0)
    step = 2 / (2 * n - 3)
    # off the steps' borders, where rounding decides
    assume(abs(abs(share) - 1) > 1e-6)
    assume(all(abs(abs(share) - (k + 0.5) * step) > 1e-6 for k in range(n)))

    def at(share: float) -> Signal:
        return shown(HOLD + share * ((high - HOLD) if share > 0 else (HOLD - low)), n)

    mirrored, picture = at(-share), at(share)
    assert mirrored.spot == -(picture.spot or 0)
    assert [light is not D for light in mirrored.lights[::-1]] == [light is not D for light in picture.lights]


@given(ns, st.floats(0, 5), st.floats(1, 60))
def test_lights_and_line_give_the_same_advice(n: int, speed: float, flow: float) -> None:
    rig = rig_with(n)
    now = sample(speed_m_s=speed, flow_l_min=flow)
    lights = signal(now, {}, rig, 0.1).lights
    word = advice(now, rig)[0]
    assert {
        "SLOWER to": lights[-1] is FAST,
        "FASTER to": lights[0] is SLOW,
        "stopped": lights[0] is SLOW,
    }.get(word, word == "hold" and not {SLOW, FAST} & set(lights))


# -- what is wrong, and what sounds --------------------------------------------------------------------


def test_every_alert_has_its_manner() -> None:
    assert set(MANNERS) == set(config.ALERT_CODES) == set(ALERT_WORDS)


def test_what_is_silent_when_all_is_well() -> None:
    assert shown(HOLD)[:4] == ((D, D, ON, D, D), D, Sound.NONE, 0)


@pytest.mark.parametrize("code", config.ALERT_CODES)
def test_speed_is_the_strips_and_what_is_wrong_the_trouble_lights(code: str) -> None:
    now = signal(sample(), {code: 1.0}, rig_with(3), 0.1)
    hand = code in (
        *("pressure_loss", "rate_low", "rate_high", "boom_leak", "nozzles_plugged", "supply_weak"),
    )
    stop = code in ("wind_high", "gust_high")  # the eye's business alone: the tone means boom and pump
    assert now.trouble is (D if code.startswith("speed") else FAST if hand or stop else ON)
    assert now.sound is (Sound.FLOW if hand else Sound.NONE)
    assert now.lights == (D, ON, D)


def test_a_speed_alert_sounds_when_the_eye_has_missed_it() -> None:
    def sound(speed: float, code: str, up_s: float) -> Sound:
        return signal(sample(speed_m_s=speed), {code: up_s}, rig_with(3), 0.1).sound

    assert sound(3.0, "speed_fast", SPEED_SOUND_AFTER_S - 0.01) is Sound.NONE
    assert sound(3.0, "speed_fast", SPEED_SOUND_AFTER_S) is Sound.TOO_FAST
    assert sound(1.0, "speed_slow", 60.0) is Sound.TOO_SLOW
    # back in the band while the alert waits for its off-delay: the driver has seen to it
    assert sound(HOLD, "speed_fast", 60.0) is Sound.NONE
    # and past it: the alert that is up speaks of the other side
    assert sound(1.0, "speed_fast", 60.0) is Sound.NONE


def test_one_sound_at_a_time_the_booms_first() -> None:
    alerts = {"speed_fast": 60.0, "rate_low": 0.0}
    assert signal(sample(speed_m_s=3.0), alerts, rig_with(3), 0.1).sound is Sound.FLOW


def test_an_alert_of_another_version_lights_the_trouble_light() -> None:
    now = signal(sample(), {"one of tomorrow's": 60.0}, rig_with(3), 0.1)
    assert (now.trouble, now.sound) == (ON, Sound.NONE)


def test_when_it_changes_though_nothing_comes() -> None:
    assert changes_in_s({}, 0.5) == STALE_S - 0.5
    assert changes_in_s({"speed_slow": 2.5, "gps_lost": 1.0}, 0.5) == SPEED_SOUND_AFTER_S - 2.5
    assert changes_in_s({"speed_slow": 3.0}, STALE_S) is None
    assert changes_in_s({"one of tomorrow's": 0.0}, STALE_S) is None


@given(alert_sets, st.floats(0, 3), st.floats(0, 1))
def test_until_then_it_does_not_change(alerts: dict[str, float], age_s: float, share: float) -> None:
    wait_s = changes_in_s(alerts, age_s)
    later_s = share * (10.0 if wait_s is None else wait_s)
    assume(wait_s is None or later_s < wait_s * 0.999)
    fast = sample(speed_m_s=3.0)
    later = {code: up_s + later_s for code, up_s in alerts.items()}
    assert signal(fast, later, rig_with(3), age_s + later_s) == signal(fast, alerts, rig_with(3), age_s)


# -- patterns over time --------------------------------------------------------------------------------


def test_flash_rates_are_two_and_within_the_human_factors_limits() -> None:
    """MIL-STD-1472E 5.15.3.3: at most two flash rates, 3 to 5 Hz, and a second of 2 Hz or less."""
    rates = {light: 1 / sum(RHYTHM[light]) for light in Light if light in RHYTHM}
    assert rates.keys() == {SLOW, FAST}
    assert 3 <= rates[FAST] <= 5
    assert rates[SLOW] <= 2
    # a glance of 2 s (NHTSA, 78 FR 24817) sees each rhythm at least twice over
    assert all(sum(RHYTHM[light]) * 2 < 2 for light in rates)


def test_sounds_are_short_differ_in_number_and_leave_pauses() -> None:
    sounds = {sound: RHYTHM[sound] for sound in Sound if sound is not Sound.NONE}
    assert len({len(times) // 2 for times in sounds.values()}) == len(sounds) == 3
    for times in sounds.values():
        said = sum(times[:-1])
        assert said < 1.0
        assert times[-1] > 2 * said
        assert max(times[1:-1], default=0.0) < times[-1] / 2  # the pause is no part of the motif


@pytest.mark.parametrize("pattern", [*Light, *Sound])
def test_a_pattern_is_walked_by_its_own_changes(pattern: Light | Sound) -> None:
    """From change to change: on first, then in turn, for the times of the table, and again."""
    if pattern not in RHYTHM:
        assert level(pattern, 12.3) == (pattern is ON, None)
        return
    t_s, walked = 0.0, []
    for _ in range(2 * len(RHYTHM[pattern])):
        on, wait_s = level(pattern, t_s + 1e-9)
        assert wait_s is not None
        walked.append((on, pytest.approx(wait_s, abs=1e-6)))
        t_s += wait_s + 1e-9
    assert walked == [(i % 2 == 0, length) for i, length in enumerate(RHYTHM[pattern] * 2)]


@given(st.sampled_from([*Light, *Sound]), st.floats(0, 1e6))
def test_a_pattern_has_a_level_at_any_time(pattern: Light | Sound, t_s: float) -> None:
    on, wait_s = level(pattern, t_s)
    assert on in (True, False)
    assert wait_s is None or 0 < wait_s <= 3


def test_the_lamp_test_lights_one_after_another_and_ends() -> None:
    # one of four at a time, 0.15 s each
    seen = [lamp_test(4, (i + 0.5) * LAMP_TEST_STEP_S) for i in range(5)]
    assert [lit for lit, _ in seen] == [
        (True, False, False, False), (False, True, False, False), (False, False, True, False),
        (False, False, False, True), (False, False, False, False),
    ]  # fmt: skip
    assert [None if wait is None else round(wait, 6) for _, wait in seen] == [0.075] * 4 + [None]
    assert chirp(0.0) == (True, 0.06)
    assert chirp(0.06) == (False, None)


# -- acknowledged --------------------------------------------------------------------------------------


def _sprayed() -> Sample:
    values = dict.fromkeys(Sample._fields)
    known = {
        "t_ns": 1,
        "dt_ns": 1,
        "speed_m_s": HOLD,
        "flow_l_min": FLOW,
        "boom_on": 1,
        "basis": 1,
        "flags": 0,
    }
    return Sample(**values | known)  # type: ignore[arg-type]


@pytest.mark.parametrize("code", ALERT_WORDS)
def test_what_was_acknowledged_is_shown_and_neither_flashes_nor_sounds(code: str) -> None:
    up = {code: 60.0}
    fresh = signal(_sprayed(), up, CREEK, 0.0)
    seen = signal(_sprayed(), up, CREEK, 0.0, None, {code})
    assert seen.sound is Sound.NONE
    assert seen.trouble is (D if fresh.trouble is D else ON)
    assert seen.lights == fresh.lights
    both = signal(_sprayed(), {**up, "pressure_loss": 60.0}, CREEK, 0.0, None, {code} - {"pressure_loss"})
    assert (both.trouble, both.sound) == (FAST, Sound.FLOW)
