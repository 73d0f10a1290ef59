"""A receiver's stream: which sentences, how often, how full they make the line, the fix in them. Pure."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil
from typing import Final

from rigmon import units
from rigmon.calibration.result import amount
from rigmon.core.nmea import Decoded, Decoder, Gga, LineFramer, Rejected, Rmc, Transducers, Vtg
from rigmon.doctor.baud import Judged, best, line_load_pct, transfer_s
from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.listening import Listened
from rigmon.rig import Rig

#: sentences that rigmon reads; of these RMC alone gives speed, position and time
USED: Final = ("RMC", "VTG", "GGA", "ZDA", "XDR", "MWV", "MDA")
#: from here on a rig is followed without a delay that is felt: common practice
_GOOD_HZ: Final = 5.0
_SLOWEST_HZ: Final = 0.8
_FASTEST_HZ: Final = 20.5
#: a line that is busier than this has no room for a longer burst
_BUSY_PCT: Final = 70.0
_FULL_PCT: Final = 92.0
#: the last sentence of a burst is older than the first by the burst's length
_LONG_BURST_S: Final = 0.25
#: a step of the speed field that is coarser than this share of the target speed shows in the rate, %
_COARSE_PCT: Final = 2.0
_FEW_SATELLITES: Final = 5
_POOR_HDOP: Final = 4.0
_KN_M_S: Final = 1852 / 3600
_KM_H_M_S: Final = 1 / 3.6


@dataclass(slots=True)
class Survey:
    """What came, sorted. Stamps are monotonic ns."""

    seconds: float = 0.0
    bytes: int = 0
    addresses: Counter[str] = field(default_factory=Counter)  #: 'GNRMC' -> how many sound sentences
    address_bytes: Counter[str] = field(default_factory=Counter)
    rejected: Counter[str] = field(default_factory=Counter)  #: reason -> how many
    rmc: list[tuple[int, Rmc, list[str]]] = field(default_factory=list)  #: with their fields as printed
    vtg: list[tuple[int, Vtg, list[str]]] = field(default_factory=list)
    gga: list[tuple[int, Gga, list[str]]] = field(default_factory=list)
    transducers: list[tuple[int, Transducers]] = field(default_factory=list)
    xdr: Counter[tuple[str, str, str]] = field(default_factory=Counter)  #: (type, unit, name)
    weather: Counter[str] = field(default_factory=Counter)  #: 'MWV,R', 'MWV,T', 'MDA' -> how many

    @property
    def sound(self) -> int:
        return self.addresses.total()

    def kinds(self) -> Counter[str]:
        """'RMC' -> how many, of all talkers."""
        found: Counter[str] = Counter()
        for address, n in self.addresses.items():
            found[kind_of(address)] += n
        return found

    def kind_bytes(self) -> Counter[str]:
        found: Counter[str] = Counter()
        for address, n in self.address_bytes.items():
            found[kind_of(address)] += n
        return found


def kind_of(address: str) -> str:
    """The sentence's type; a proprietary sentence has none but its address."""
    return address if address[:1] in "Pp" else address[2:]


def survey(listened: Listened, rig: Rig) -> Survey:
    """Sort what was heard. What was cut off at the beginning and at the end is left out."""
    decoder, framer = Decoder(rig), LineFramer()
    found = Survey(seconds=listened.heard.seconds)
    first = True
    for chunk in listened.heard.chunks:
        found.bytes += len(chunk.data)
        for line in framer.feed(chunk.data):
            if first and line[:1] not in (b"$", b"!", b"\\"):
                first = False
                continue
            first = False
            _sort(found, chunk.t_ns, line, decoder.decode(line))
    return found


def _sort(found: Survey, t_ns: int, line: bytes, decoded: Decoded) -> None:
    if isinstance(decoded, Rejected):
        found.rejected[decoded.reason] += 1
        return
    start = max(line.rfind(b"$"), line.rfind(b"!"))
    body = line[start + 1 :].decode("latin-1").partition("*")[0]
    address, _, rest = body.partition(",")
    found.addresses[address] += 1
    found.address_bytes[address] += len(line) + 2
    fields = rest.split(",")
    if kind_of(address) == "MWV":
        found.weather[f"MWV,{fields[1]}" if len(fields) > 1 else "MWV"] += 1
    elif kind_of(address) == "MDA":
        found.weather["MDA"] += 1
    if isinstance(decoded, Rmc):
        found.rmc.append((t_ns, decoded, fields))
    elif isinstance(decoded, Vtg):
        found.vtg.append((t_ns, decoded, fields))
    elif isinstance(decoded, Gga):
        found.gga.append((t_ns, decoded, fields))
    elif isinstance(decoded, Transducers):
        found.transducers.append((t_ns, decoded))
        for i in range(0, len(fields) - 3, 4):
            found.xdr[(fields[i], fields[i + 2], fields[i + 3])] += 1


# -- baud --------------------------------------------------------------------------------------------------


def of_baud(
    section: str,
    title: str,
    port: str,
    baud: int,
    listened: Listened,
    real_baud: bool,
    bare_is_fine: bool = False,
) -> Finding:
    """`baud` is the rig file's. `bare_is_fine`: the rig takes sentences without checksum."""
    check, judged = f"{section}_baud", listened.judged
    values: Values = {"baud": baud, "right_baud": None, "tried": ", ".join(map(str, judged))}
    if listened.heard.trouble:
        busy = any(words in listened.heard.trouble for words in ("busy", "lock", "Errno 11"))
        do = "Another program holds it: 'sudo rigmon doctor' names it." if busy else "See the port's check."
        return wrong(check, title, f"{port} cannot be read: {listened.heard.trouble}", do, **values)
    own = judged[baud]
    if own.kind == "silent":
        return wrong(
            check,
            title,
            f"{port} says nothing at {baud} baud in {listened.heard.seconds:.1f} s",
            "No baud makes a silent line speak: check the receiver's power and its TX lead on the board's RX "
            "(GPIO15).",
            **values,
        )
    if own.kind == "no checksums" and bare_is_fine:
        return ok(
            check, title, f"{baud} is right; sentences without checksum, as the rig file allows", **values
        )
    if not real_baud and own.kind == "nmea":
        return ok(check, title, "sentences come; this port's baud means nothing", **values)
    right = best(judged)
    values["right_baud"] = right
    if right == baud:
        if own.kind == "nmea":
            return ok(check, title, f"{baud} is right", **values)
        return wrong(
            check,
            title,
            f"{baud} baud: sentences without checksum",
            "Set the receiver to send checksums; for an old one that cannot, accept_missing_checksum = true.",
            **values,
        )
    if right is not None:
        return wrong(
            check,
            title,
            f"the stream is readable at {right} baud, not at {baud}",
            f"Set {section}.baud = {right}.",
            **values,
        )
    return _unreadable(check, title, own, judged, values)


def _unreadable(check: str, title: str, own: Judged, judged: dict[int, Judged], values: Values) -> Finding:
    binary = next(((baud, each.binary) for baud, each in judged.items() if each.binary), None)
    if binary is not None:
        return wrong(
            check,
            title,
            f"bytes, but no sentences: at {binary[0]} baud a binary protocol ({binary[1]})",
            "Set the receiver to send NMEA 0183 on this port.",
            **values,
        )
    tried = f" at {', '.join(map(str, judged))} baud" if len(judged) > 1 else ""
    return wrong(
        check,
        title,
        f"{own.bytes} bytes, but no sentence with a good checksum{tried}",
        "Check ground and wiring. RS-232 levels are upside down for the board (and too high): they need a "
        "level converter.",
        **values,
    )


# -- sentences ---------------------------------------------------------------------------------------------


def of_stream(section: str, title: str, found: Survey, baud: int | None, rig: Rig) -> list[Finding]:
    """Sentences, their rate and the room they take. `baud` None: this port's means nothing."""
    findings = [_sentences(section, title, found)]
    if section == "gps":
        findings.append(_rate(found))
    if baud is not None:
        findings.append(_load(section, title, found, baud))
    if section == "gps":
        findings += [_speed_field(found, rig), _fix(found)]
    return findings


def _hz(count: int, seconds: float) -> str:
    return "?" if seconds <= 0 else _short(count / seconds)


def _short(number: float) -> str:
    return f"{number:.2g}" if number < 100 else f"{number:.0f}"


def _sentences(section: str, title: str, found: Survey) -> Finding:
    check, name = f"{section}_sentences", f"{title} sentences"
    rejected = found.rejected.total()
    listed = ", ".join(
        f"{address} {_hz(count, found.seconds)}" for address, count in found.addresses.most_common()
    )
    why = ", ".join(f"{reason.replace('_', ' ')} {n}" for reason, n in found.rejected.most_common())
    values: Values = {
        "sound": found.sound,
        "rejected": rejected,
        "seconds": round(found.seconds, 2),
        **{f"{address}_per_s": round(n / found.seconds, 2) for address, n in found.addresses.items()},
        **{f"rejected_{reason}": n for reason, n in found.rejected.items()},
    }
    seen = f"per second: {listed or 'none'}" + (f"; rejected: {why}" if why else "")
    total = found.sound + rejected
    if not found.sound:
        return wrong(check, name, seen, "See the baud's check.", **values)
    if rejected / total > 0.01 and rejected > 1:
        state = wrong if rejected / total > 0.2 else look
        return state(
            check,
            name,
            seen,
            "Bad checksums come from a line that is too full, a loose lead or ignition noise: shield it, "
            "keep it short and away from the ignition.",
            **values,
        )
    if section == "gps" and not {"RMC", "VTG"} & set(found.kinds()):
        if "GGA" in found.kinds():
            return look(
                check,
                name,
                seen,
                "No RMC or VTG: speed is worked out from positions, much coarser. Turn RMC on.",
                **values,
            )
        return wrong(check, name, seen, "No speed in it: turn RMC on.", **values)
    return ok(check, name, seen, **values)


def speed_rate_hz(found: Survey) -> tuple[float | None, str]:
    """How often the speed comes and in which sentence, by the receiver's own time where it tells one."""
    kind = next((kind for kind in ("RMC", "VTG", "GGA") if getattr(found, kind.lower())), "")
    if not kind:
        return None, ""
    rows: Sequence[tuple[int, Rmc | Vtg | Gga, list[str]]] = getattr(found, kind.lower())
    stamped = [fix.time_ms for _, fix, _ in rows if not isinstance(fix, Vtg) and fix.time_ms is not None]
    times = list(dict.fromkeys(stamped))
    gaps = sorted(b - a for a, b in pairwise(times) if b > a)
    if gaps:
        return 1000 / gaps[len(gaps) // 2], kind
    arrivals = sorted({t_ns for t_ns, _, _ in rows})
    if len(arrivals) > 1:
        return (len(rows) - 1) / ((arrivals[-1] - arrivals[0]) / 1e9), kind
    return None, kind


def _rate(found: Survey) -> Finding:
    hz, kind = speed_rate_hz(found)
    title = "GPS rate"
    if hz is None:
        if kind:
            return wrong(
                "gps_rate",
                title,
                f"one {kind} in {found.seconds:.1f} s",
                "Set the receiver to 1 Hz at least; 5 Hz or 10 Hz is better.",
                rate_hz=None,
            )
        return unknown("gps_rate", title, "no sentence with a speed or a position")
    seen = f"{hz:.3g} Hz ({kind})"
    values: Values = {"rate_hz": round(hz, 3), "sentence": kind}
    if hz < _SLOWEST_HZ:
        return wrong("gps_rate", title, seen, "Set the receiver to 1 Hz at least; 5 Hz is better.", **values)
    if hz < _GOOD_HZ - 0.1:
        return look(
            "gps_rate",
            title,
            seen,
            f"It works. At {_GOOD_HZ:.0f} Hz or more the speed follows sooner: set it if the receiver can.",
            **values,
        )
    if hz > _FASTEST_HZ:
        return look("gps_rate", title, seen, "Made for 1 to 20 Hz: 10 Hz is plenty.", **values)
    return ok("gps_rate", title, seen, **values)


def _load(section: str, title: str, found: Survey, baud: int) -> Finding:
    check, name = f"{section}_load", f"{title} line"
    if not found.sound or found.seconds <= 0:
        return unknown(check, name, "no sentences")
    per_s = found.bytes / found.seconds
    load_pct = line_load_pct(per_s, baud)
    hz, _ = speed_rate_hz(found)
    burst = per_s / hz if hz else None
    burst_s = None if burst is None else transfer_s(burst, baud)
    seen = f"{per_s:.0f} bytes/s, {load_pct:.0f} % of {baud} baud"
    if burst is not None and burst_s is not None:
        seen += f"; a burst of {burst:.0f} bytes takes {1000 * burst_s:.0f} ms"
    off = turn_off(found)
    sizes = found.kind_bytes()
    spare_pct = line_load_pct(sum(sizes[kind] for kind in off) / found.seconds, baud)
    values: Values = {
        "bytes_per_s": round(per_s, 1),
        "load_pct": round(load_pct, 1),
        "burst_ms": None if burst_s is None else round(1000 * burst_s, 1),
        "turn_off": ", ".join(off),
        "load_without_pct": round(load_pct - spare_pct, 1),
    }
    late = burst_s is not None and burst_s > _LONG_BURST_S
    if load_pct < _BUSY_PCT and not late:
        return ok(check, name, seen, **values)
    do = ["Too full: sentences are late or cut." if load_pct >= _BUSY_PCT else "The last of it comes late."]
    if off:
        do.append(f"Turn off {', '.join(off)}: that leaves {load_pct - spare_pct:.0f} %.")
    kept_s = None if burst_s is None or hz is None else burst_s * (1 - spare_pct / load_pct)
    still = load_pct - spare_pct >= _BUSY_PCT or (kept_s is not None and kept_s > _LONG_BURST_S)
    if still or not off:
        faster = next((each for each in (38400, 115200, 230400, 460800) if each >= 3 * baud), 460800)
        do.append(f"Set the receiver and {section}.baud to {faster} or more.")
    state = wrong if load_pct >= _FULL_PCT else look
    return state(check, name, seen, " ".join(do), **values)


def turn_off(found: Survey) -> list[str]:
    """Kinds that rigmon has no use for in this stream, the largest first."""
    sizes = found.kind_bytes()
    useless = [kind for kind in sizes if kind not in USED]
    if found.rmc:
        # with RMC there, neither is read: it has the speed and the date
        useless += [kind for kind in ("VTG", "ZDA") if kind in sizes]
    return sorted(useless, key=lambda kind: (-sizes[kind], kind))


# -- fix ---------------------------------------------------------------------------------------------------


def speed_step_m_s(found: Survey) -> float | None:
    """The step of the speed field that is read, by the digits it is printed with; None: no speed came."""
    for rows, place, unit_m_s in (
        (found.rmc, 6, _KN_M_S),
        (found.vtg, 4, _KN_M_S),
        (found.vtg, 6, _KM_H_M_S),
    ):
        texts = [fields[place] for _, _, fields in rows if len(fields) > place and fields[place]]
        if texts:
            return float(unit_m_s * 10 ** -max(len(text.partition(".")[2]) for text in texts))
    return None


def _speeds_m_s(found: Survey) -> list[float]:
    speeds = [fix.speed_m_s for _, fix, _ in found.rmc if fix.speed_m_s is not None]
    return speeds or [fix.speed_m_s for _, fix, _ in found.vtg if fix.speed_m_s is not None]


def _speed_field(found: Survey, rig: Rig) -> Finding:
    title = "Speed field"
    speeds = _speeds_m_s(found)
    if not speeds:
        if any(fix.valid for _, fix, _ in found.rmc):
            return wrong(
                "speed_field",
                title,
                "RMC has a fix but no speed",
                "Set the receiver to send speed in RMC or VTG.",
            )
        return unknown("speed_field", title, "no speed without a fix")
    step = speed_step_m_s(found)
    assert step is not None
    share_pct = 100 * step / rig.target.speed_m_s
    speed = units.show(speeds[-1], "speed", rig.units)
    shown_step = amount(step, "speed", "us" if rig.units == "us" else "metric", 2)
    seen = f"{speed} now, in steps of {shown_step} ({share_pct:.1f} % of the target speed)"
    values: Values = {
        "speed_m_s": round(speeds[-1], 4),
        "step_m_s": round(step, 5),
        "step_pct_of_target": round(share_pct, 2),
        "all_zero": not any(speeds),
    }
    if share_pct > _COARSE_PCT:
        return look(
            "speed_field",
            title,
            seen,
            "Set the receiver to more digits (0.01 kn), or a faster rate, which evens it out.",
            **values,
        )
    if len(speeds) >= 3 and not any(speeds):
        return look(
            "speed_field",
            title,
            f"exactly zero all the time ({seen})",
            "Standing still it may be right; or the receiver holds low speeds at zero and hides a creep: "
            "turn its static hold off.",
            **values,
        )
    return ok("speed_field", title, seen, **values)


def _fix(found: Survey) -> Finding:
    title = "Fix"
    states = [fix.valid for _, fix, _ in found.rmc] or [fix.valid for _, fix, _ in found.gga]
    satellites = [int(fields[6]) for _, _, fields in found.gga if fields[6:7] and fields[6].isdecimal()]
    dilutions = [
        float(fields[7])
        for _, fix, fields in found.gga
        if fix.valid and fields[7:8] and _is_number(fields[7])
    ]
    n = satellites[-1] if satellites else None
    hdop = dilutions[-1] if dilutions else None
    told = f"{n} satellites" if n is not None else "satellites not told (no GGA)"
    told += f", HDOP {hdop:g}" if hdop is not None else ""
    values: Values = {"satellites": n, "hdop": hdop, "valid": bool(states and states[-1])}
    if not states:
        return unknown("fix", title, "neither RMC nor GGA came")
    share_pct = 100 * sum(states) / len(states)
    values["valid_pct"] = round(share_pct, 1)
    if not any(states):
        return look(
            "fix",
            title,
            f"no fix; {told}",
            "Give the antenna open sky, away from metal above it; a first fix may take some minutes.",
            **values,
        )
    if share_pct < 100 or (n is not None and n < _FEW_SATELLITES) or (hdop is not None and hdop > _POOR_HDOP):
        return look(
            "fix", title, f"weak: valid {share_pct:.0f} % of the time, {told}",
            "Give the antenna a clear view of the sky, on the rig's highest flat metal.", **values,
        )  # fmt: skip
    return ok("fix", title, f"valid, {told}", **values)


def _is_number(text: str) -> bool:
    return text.replace(".", "", 1).isdecimal()


# -- sensors by XDR ----------------------------------------------------------------------------------------

#: channel of the decoder -> (section of the rig file, title, XDR types)
_SENSORS: Final = {
    "flow": ("flow", "Flow by XDR", ("R", "V")),
    "pressure": ("pressure", "Pressure by XDR", ("P",)),
    "boom": ("boom_switch", "Boom switch by XDR", ("S",)),
}
#: the decoder's channels by what they carry
_CARRIED: Final = {"flow": "flow_l_min", "volume": "volume_l", "pressure": "pressure_kpa", "boom": "boom_on"}
#: a sensor that speaks less often than so many times in its stale time is unknown now and then
_PER_STALE: Final = 2.0


def of_sensors(rig: Rig, surveys: Sequence[Survey], why_not: str) -> list[Finding]:
    """The sensors that the rig takes by XDR sentences, on whatever port they came. `why_not`: no port was
    listened to; '' else."""
    findings = []
    for channel, (section, title, kinds) in _SENSORS.items():
        sensor = getattr(rig, section)
        if sensor.source != "xdr":
            continue
        check = f"{section}_xdr"
        if why_not:
            findings.append(unknown(check, title, why_not))
            continue
        findings.append(_sensor(rig, check, title, section, channel, kinds, sensor.xdr_name, surveys))
    return findings


def _sensor(
    rig: Rig,
    check: str,
    title: str,
    section: str,
    channel: str,
    kinds: tuple[str, ...],
    name: str,
    surveys: Sequence[Survey],
) -> Finding:
    channels = ("flow", "volume") if channel == "flow" else (channel,)
    values = [
        (each, value)
        for found in surveys
        for _, group in found.transducers
        for each, value in group.values
        if each in channels
    ]
    seconds = max((found.seconds for found in surveys), default=0.0)
    if values:
        each, value = values[-1]
        said = ("on" if value else "off") if channel == "boom" else units.show(value, each, rig.units)
        rate_hz = len(values) / seconds
        figures: Values = {"name": name, "rate_hz": round(rate_hz, 2), _CARRIED[each]: value}
        seen = f"{name}: {said}, {_short(rate_hz)} a second"
        if rate_hz * getattr(rig, section).stale_s < _PER_STALE:
            return look(
                check, title, seen,
                f"Too seldom for {section}.stale = {getattr(rig, section).stale_s:g} s: let the node send "
                "five times a second or more.", **figures,
            )  # fmt: skip
        return ok(check, title, seen, **figures)
    there = sorted({key for found in surveys for key in found.xdr})
    near = [(kind, unit, other) for kind, unit, other in there if kind in kinds]
    listed = ", ".join(f"{kind} {other or '(no name)'} [{unit}]" for kind, unit, other in near or there)
    if near and any(other == name for _, _, other in near):
        do = "Its unit or value cannot be read: P in B or P, R in l, V in M, S 0 or 1 without unit."
    elif near:
        do = f"Set {section}.xdr_name to one of those names."
    else:
        do = "Check that the sensor node is powered, and that its port is gps.port or node.port."
    heard = f"; there are: {listed}" if listed else "; no XDR sentence at all"
    return wrong(
        check, title, f"no {' or '.join(kinds)} named {name} in {ceil(seconds)} s{heard}", do, name=name
    )


# -- weather -----------------------------------------------------------------------------------------------

#: weather.wind -> the sentence that it takes; those of weather.air are MDA, or XDR by name
_WINDS: Final = {"relative": "MWV,R", "true": "MWV,T", "mda": "MDA"}


def of_weather(rig: Rig, surveys: Sequence[Survey], why_not: str) -> list[Finding]:
    """What is heard of wind and air on any port, and whether it is what the rig file takes.

    Nothing where neither is the case. `why_not`: no port was listened to; '' else.
    """
    sensor = rig.weather
    if why_not:
        return [unknown("weather", "Weather", why_not)] if sensor.fitted else []
    heard: Counter[str] = Counter()
    for found in surveys:
        heard.update(found.weather)
        for (kind, unit, name), n in found.xdr.items():
            if (kind, unit) in (("C", "C"), ("H", "P")):
                heard[f"XDR {kind} {name or '(no name)'}"] += n
    if not (heard or sensor.fitted):
        return []
    seconds = max((found.seconds for found in surveys), default=0.0)
    listed = ", ".join(f"{what} {_hz(n, seconds)}" for what, n in sorted(heard.items()))
    seen = f"per second: {listed}" if listed else f"no weather sentence in {ceil(seconds)} s"
    values: Values = {what.lower().replace(" ", "_").replace(",", "_"): n for what, n in heard.items()}
    missing = _missing(rig, heard)
    if missing:
        there = "; set [weather] to one that comes, or leave it out" if heard else ""
        do = (
            f"The rig file takes {' and '.join(missing)}: check the sensor's power, lead and settings{there}."
        )
        return [wrong("weather", "Weather", seen, do, **values)]
    if not sensor.fitted:
        do = "The rig file takes none of it; [weather] says how, should you want it."
        return [ok("weather", "Weather", f"{seen}. {do}", **values)]
    slow = [what for what in _taken(rig) if heard[what] * sensor.stale_s < _PER_STALE * seconds]
    if slow:
        do = f"Too seldom for weather.stale = {sensor.stale_s:g} s: let the sensor speak once a second."
        return [look("weather", "Weather", seen, do, **values)]
    return [ok("weather", "Weather", seen, **values)]


def _taken(rig: Rig) -> list[str]:
    sensor = rig.weather
    taken = [_WINDS[sensor.wind]] if sensor.wind in _WINDS else []
    if sensor.air == "mda":
        taken.append("MDA")
    elif sensor.air == "xdr":
        taken += [f"XDR C {sensor.temperature_name}", f"XDR H {sensor.humidity_name}"]
    return list(dict.fromkeys(taken))


def _missing(rig: Rig, heard: Counter[str]) -> list[str]:
    return [what for what in _taken(rig) if not heard[what]]
