"""The job plan as one printable page: HTML that needs nothing else, readable in grey, light and dark."""

from collections.abc import Iterable
from html import escape
from string import Template
from typing import Final

from rigmon.calibration.plan import JobPlan, NozzleState
from rigmon.calibration.plan_text import clock, loads_text, watch_course
from rigmon.calibration.result import System, amount
from rigmon.calibration.tank import Load, TankPlan, volume_text
from rigmon.units import convert, shown_unit

#: a bar of the boom is full at this deviation from the mean [%]
_FULL_BAR_PCT: Final = 15.0
#: more findings of a kind than this would not fit the page; they are counted
_MOST_FINDINGS: Final = 6
#: more nozzles that something is wrong with are named without their figures
_MOST_NOZZLES: Final = 6
#: as many numbers have room below the bars
_MOST_NUMBERS: Final = 24
#: up to so many rows, print is set in so many points
_PRINT_SIZES: Final = ((18, 10.0), (26, 8.5), (34, 7.5))
_SMALLEST_PT: Final = 6.5

_PAGE: Final = Template("""\
<!DOCTYPE html>
<html lang="en" style="--print: $size">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>$title</title>
<style>
$style</style>
</head>
<body>
<main>
<header>
<h1>$heading</h1>
<p>$subheading</p>
</header>
$status
<section class="hold">
$hold
</section>
<div class="columns">
<section>
$mix
</section>
<section>
$boom
$ages
</section>
</div>
$notes
<footer>$cautions</footer>
</main>
</body>
</html>
""")

_STYLE: Final = """\
:root { color-scheme: light dark; --ink: #111; --soft: #555; --line: #999; --fill: #e4e4e4; --bar: #777;
  --page: #fff; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #eee; --soft: #aaa; --line: #777; --fill: #333; --bar: #999; --page: #161616; }
}
* { box-sizing: border-box; }
body { margin: 0; background: var(--page); color: var(--ink); font: 15px/1.35 system-ui, sans-serif; }
main { max-width: 52rem; margin: 0 auto; padding: 1rem; }
header { display: flex; flex-wrap: wrap; justify-content: space-between; align-items: baseline; gap: 0 1rem;
  border-bottom: 3px solid var(--ink); padding-bottom: .3rem; }
h1 { font-size: 1.5rem; margin: 0; overflow-wrap: anywhere; }
header p { margin: 0; color: var(--soft); }
h2 { font-size: 1rem; margin: 1rem 0 .3rem; border-bottom: 1px solid var(--line); }
p { margin: .25rem 0; overflow-wrap: anywhere; }
.hold { display: grid; grid-template-columns: repeat(auto-fit, minmax(11rem, 1fr)); gap: .5rem;
  margin: .6rem 0 0; }
.hold div { border: 1px solid var(--line); padding: .35rem .6rem; }
.hold div.first { border: 3px solid var(--ink); }
.hold b { display: block; font-size: 1.6rem; line-height: 1.15; font-variant-numeric: tabular-nums; }
.hold span { color: var(--soft); font-size: .85rem; }
.columns { display: grid; grid-template-columns: repeat(auto-fit, minmax(19rem, 1fr)); gap: 0 1.5rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
td { padding: .12rem .5rem .12rem 0; vertical-align: top; border-bottom: 1px solid var(--fill);
  overflow-wrap: anywhere; }
td.number { text-align: right; white-space: nowrap; padding: .12rem .3rem .12rem .6rem; }
td small, li small { color: var(--soft); }
.mix { margin-top: .5rem; }
.mix small { display: block; }
@media screen and (max-width: 32rem) {
  .mix, .mix tbody { display: block; }
  .mix tr { display: grid; grid-template-columns: 3.2rem repeat(2, minmax(0, 1fr));
    border-bottom: 1px solid var(--fill); }
  .mix td { border: 0; }
  .mix .product td:first-child { grid-column: 1 / -1; padding-bottom: 0; }
  .mix .product td:nth-child(2) { grid-column: 2; }
  .mix td.number { white-space: normal; }
  .mix small { display: inline; }
}
.todo { border: 3px solid var(--ink); padding: .2rem .6rem .4rem; margin-top: .6rem; }
.todo h2 { border: 0; margin: .2rem 0 0; }
ul { margin: .2rem 0; padding-left: 1.2rem; }
li { overflow-wrap: anywhere; }
.boom { display: flex; height: 4.4rem; border-bottom: 1px solid var(--line); margin: .4rem 0 0; }
.boom div { flex: 1 1 0; min-width: 2px; position: relative; }
.boom i { position: absolute; left: 12%; right: 12%; background: var(--bar); min-height: 2px;
  print-color-adjust: exact; -webkit-print-color-adjust: exact; }
.boom .bad i { background: var(--ink); }
.boom .none i { border: 1px dashed var(--ink); background: none; top: 25%; bottom: 25%; }
.boom hr { position: absolute; left: 0; right: 0; top: 50%; margin: 0; border: 0;
  border-top: 1px solid var(--line); }
.numbers { display: flex; font-size: .7rem; color: var(--soft); }
.numbers span { flex: 1 1 0; text-align: center; min-width: 2px; }
.numbers .bad { color: var(--ink); font-weight: 700; }
footer { border-top: 3px solid var(--ink); margin-top: .9rem; padding-top: .3rem; font-size: .85rem; }
tr { break-inside: avoid; }
@page { margin: 11mm; }
@media print {
  :root { color-scheme: light; --ink: #000; --soft: #444; --line: #777; --fill: #ccc; --bar: #888;
    --page: #fff; }
  html { font-size: var(--print, 10pt); }
  body { font-size: 1rem; line-height: 1.3; }
  main { max-width: none; padding: 0; }
  .columns { grid-template-columns: minmax(0, 1fr) minmax(0, 1fr); }
  .hold { grid-template-columns: repeat(4, minmax(0, 1fr)); }
  .hold b { font-size: 1.35rem; }
  .todo, footer { break-inside: avoid; }
}
"""


def plan_html(plan: JobPlan) -> str:
    """The plan as a self-contained page; every text in it is escaped."""
    title = f"{plan.job or 'Job plan'}, {plan.rig}, {plan.made_on}"
    return _PAGE.substitute(
        title=_text(title),
        style=_STYLE,
        size=f"{_print_size_pt(plan):g}pt",
        heading=_text(plan.job or "Job plan"),
        subheading=_text(f"{plan.rig}, {plan.made_on}"),
        status=_findings(plan, "do", "Before you start", "todo"),
        hold="\n".join(_tiles(plan)),
        mix=_mix(plan),
        boom=_boom(plan),
        ages=_ages(plan),
        notes=_findings(plan, "mind", "Mind", ""),
        cautions=" ".join(_text(text) for text in plan.cautions),
    )


def _print_size_pt(plan: JobPlan) -> float:
    """What fits one page of A4 or Letter."""
    rows = _rows(plan)
    return next((size for most, size in _PRINT_SIZES if rows <= most), _SMALLEST_PT)


def _rows(plan: JobPlan) -> int:
    """About how many lines the longer column and the lists take."""
    mix = 4
    if plan.tank is not None:
        mix += sum(2 + len(product.name) // 30 for product in plan.tank.products)
    boom = 6 + min(len(plan.nozzles.to_mend), _MOST_NOZZLES) if plan.nozzles is not None else 2
    return max(mix, boom + 2 * len(plan.ages)) + len(plan.findings)


def _text(text: str) -> str:
    """Escaped, with the plus-minus sign that a terminal may not have."""
    return escape(text).replace("+-", "±")


def _tiles(plan: JobPlan) -> Iterable[str]:
    system = plan.system
    unit = shown_unit("speed", system)
    hold, low, high = (
        f"{convert(v, 'speed', unit):.1f}" for v in (plan.speed_m_s, plan.speed_low_m_s, plan.speed_high_m_s)
    )
    yield _tile("Hold", f"{hold} {unit}", f"{low} to {high} {unit} keep the rate", "first")
    rate = amount(plan.rate_l_ha, "rate", system)
    yield _tile(
        "Rate", rate, f"within {plan.tolerance_pct:g} %; swath {amount(plan.swath_m, 'length', system)}"
    )
    watch = f"{plan.watch_low_s:.1f} to {plan.watch_high_s:.1f} s are in the band"
    yield _tile(f"{watch_course(plan)} by the watch", f"{plan.watch_s:.1f} s", watch)
    if plan.pressure_kpa is not None:
        flow = f"boom flow {amount(plan.flow_l_min, 'flow', system)}"
        yield _tile("Pressure", amount(plan.pressure_kpa, "pressure", system), flow)
    else:
        flow = "--" if plan.flow_l_min is None else amount(plan.flow_l_min, "flow", system)
        yield _tile("Boom flow", flow, "pressure not known")


def _tile(label: str, value: str, about: str, kind: str = "") -> str:
    name = f' class="{kind}"' if kind else ""
    return f"<div{name}><span>{_text(label)}</span><b>{_text(value)}</b><span>{_text(about)}</span></div>"


# -- mix -----------------------------------------------------------------------------------------------------


def _mix(plan: JobPlan) -> str:
    parts = ["<h2>Tank and time</h2>"]
    tank, system = plan.tank, plan.system
    if tank is None:
        parts.append("<p>Tank not given.</p>")
    else:
        parts.append(
            f"<p>A tank of {_text(volume_text(tank.tank_l, system))} treats "
            f"{_text(amount(tank.area_per_tank_m2, 'area', system))}.</p>"
        )
        if tank.area_m2 is not None and tank.spray_l is not None:
            parts.append(
                f"<p>{_text(amount(tank.area_m2, 'area', system))} take "
                f"{_text(volume_text(tank.spray_l, system))}: <b>{_text(loads_text(tank))}</b>.</p>"
            )
    if plan.work is not None:
        parts.append(
            f"<p>Time: <b>{_text(clock(plan.work.field_s))}</b> in the field, "
            f"{_text(clock(plan.work.boom_on_s))} of it with the boom on (field efficiency "
            f"{plan.work.efficiency_pct:g} %: common practice).</p>"
        )
    if tank is not None:
        parts.append(_loads(tank, system))
    return "\n".join(parts)


def _loads(tank: TankPlan, system: System) -> str:
    """A row for water and for each product, a column for a full tank and one for the last load."""
    columns: list[tuple[str, Load]] = []
    if tank.full_loads != 0:
        times = f" x {tank.full_loads}" if (tank.full_loads or 1) > 1 else ""
        columns.append((f"Full tank{times}", tank.full))
    if tank.last is not None:
        columns.append(("Last load" if tank.full_loads else "One load", tank.last))
    names = "".join(f'<td class="number"><b>{_text(name)}</b></td>' for name, _ in columns)
    rows = [
        f"<tr><td></td>{names}</tr>",
        _row("spray", [volume_text(load.volume_l, system) for _, load in columns]),
    ]
    if all(load.area_m2 is not None for _, load in columns):
        rows.append(_row("for", [amount(load.area_m2, "area", system) for _, load in columns]))
    rows.append(_row("water", [volume_text(load.water_l, system) for _, load in columns]))
    for n, product in enumerate(tank.products):
        items = [load.amounts[n] for _, load in columns]
        under = [item.shortfall_pct for item in items if item.under_text]
        small = f" <small>{product.dose_text}" + (f", at most {max(under):.1f} % under" if under else "")
        cells = "".join(f'<td class="number"><b>{_text(item.text)}</b></td>' for item in items)
        rows.append(f'<tr class="product"><td>{_text(product.name)}{small}</small></td>{cells}</tr>')
    return '<table class="mix">\n' + "\n".join(rows) + "\n</table>"


def _row(label: str, values: Iterable[str]) -> str:
    cells = "".join(f'<td class="number">{_text(value)}</td>' for value in values)
    return f"<tr><td>{_text(label)}</td>{cells}</tr>"


# -- boom and calibrations -----------------------------------------------------------------------------------


def _boom(plan: JobPlan) -> str:
    boom = plan.nozzles
    if boom is None:
        return "<h2>Nozzles</h2>\n<p>No catch test of this set in the book.</p>"
    by_number: dict[int, NozzleState | None] = {nozzle.nozzle: nozzle for nozzle in boom.states}
    by_number |= dict.fromkeys(boom.missing)
    order = sorted(by_number)
    good = len(boom.states) - len(boom.to_mend)
    cv = "" if boom.cv_pct is None else f", CV {boom.cv_pct:.1f} %"
    parts = [
        "<h2>Nozzles</h2>",
        f"<p>{good} of {len(order)} good{cv} <small>({_text(boom.record)}; bars: % from the mean, full at "
        f"{_FULL_BAR_PCT:g} %)</small></p>",
        '<div class="boom" role="img" aria-label="Output of each nozzle against the mean">',
        *(_bar(by_number[number]) for number in order),
        "</div>",
        '<div class="numbers">',
        *(_number(number, by_number[number], len(order)) for number in order),
        "</div>",
    ]
    if boom.to_mend or boom.missing:
        parts.append("<table>")
        for nozzle in boom.to_mend[:_MOST_NOZZLES]:
            flow = amount(nozzle.flow_l_min, "flow", plan.system)
            parts.append(
                f"<tr><td><b>No. {nozzle.nozzle}</b></td><td>{_text(nozzle.state)}</td>"
                f'<td class="number">{_text(flow)}</td>'
                f'<td class="number">{nozzle.from_mean_pct:+.0f} %</td></tr>'
            )
        if len(boom.to_mend) > _MOST_NOZZLES:
            more = ", ".join(str(nozzle.nozzle) for nozzle in boom.to_mend[_MOST_NOZZLES:])
            parts.append(f'<tr><td colspan="4"><b>and No. {more}</b></td></tr>')
        if boom.missing:
            numbers = ", ".join(str(number) for number in boom.missing)
            parts.append(f'<tr><td><b>No. {numbers}</b></td><td colspan="3">not caught</td></tr>')
        parts.append("</table>")
    return "\n".join(parts)


def _bar(nozzle: NozzleState | None) -> str:
    """Up from the middle line for more than the mean, down for less."""
    if nozzle is None:
        return '<div class="none"><i></i></div>'
    part = min(abs(nozzle.from_mean_pct) / _FULL_BAR_PCT, 1.0) * 50
    side = "bottom" if nozzle.from_mean_pct >= 0 else "top"
    bad = "" if nozzle.state == "ok" else ' class="bad"'
    return f'<div{bad}><hr><i style="{side}:50%;height:{part:.1f}%"></i></div>'


def _number(number: int, nozzle: NozzleState | None, count: int) -> str:
    """Every number where there is room, else each fifth; bold where something is wrong."""
    bad = nozzle is None or nozzle.state != "ok"
    shown = str(number) if count <= _MOST_NUMBERS or number % 5 == 0 or number == 1 else ""
    return f'<span class="bad">{shown}</span>' if bad else f"<span>{shown}</span>"


def _ages(plan: JobPlan) -> str:
    rows = []
    for age in plan.ages:
        days = "no date" if age.age_days is None else f"{age.age_days} d"
        what = f"<b>! {_text(age.what)}</b>" if age.due else _text(age.what)
        rows.append(
            f"<tr><td>{what}<br><small>{_text(age.says or 'not in the book')}</small></td>"
            f'<td class="number">{_text(str(age.taken_on or ""))}<br>{days}</td></tr>'
        )
    return (
        f"<h2>Calibrations <small>(due after {plan.max_age_days} days; ±: k = 2)</small></h2>\n<table>\n"
        + "\n".join(rows)
        + "\n</table>"
    )


def _findings(plan: JobPlan, severity: str, head: str, kind: str) -> str:
    texts = [finding.text for finding in plan.findings if finding.severity == severity]
    if not texts:
        return ""
    shown = texts[:_MOST_FINDINGS]
    if len(texts) > len(shown):
        shown.append(f"and {len(texts) - len(shown)} more: see 'rigmon plan' as text")
    items = "\n".join(f"<li>{_text(text)}</li>" for text in shown)
    name = f' class="{kind}"' if kind else ""
    return f"<section{name}>\n<h2>{_text(head)}</h2>\n<ul>\n{items}\n</ul>\n</section>"
