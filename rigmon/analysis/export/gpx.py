"""GPX 1.1 by gpxpy: one track, a segment for each stretch without a gap; speed and dose as extensions.

GPX 1.1 has no speed of its own, so it stands in a namespace of ours, with the unit in the element's name.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

import gpxpy.gpx
import numpy as np

from rigmon.analysis.export.kinds import Exported
from rigmon.analysis.ground import Kind
from rigmon.analysis.path import MOST_GAP_S
from rigmon.analysis.utc import utc_ms

NAMESPACE: Final = "https://rigmon.invalid/gpx/1"


def write(exported: Exported, path: Path) -> None:
    run, ground = exported.run, exported.ground
    columns = run.columns
    moments = utc_ms(run.anchors, columns.t_ns)
    document = gpxpy.gpx.GPX()
    document.creator = "rigmon"
    document.nsmap["rigmon"] = NAMESPACE
    track = gpxpy.gpx.GPXTrack(name=f"{run.rig.name}, run {run.run_id or run.source}")
    document.tracks.append(track)
    last_ns: int | None = None
    for k in np.flatnonzero(columns.position_fresh).tolist():
        t_ns = int(columns.t_ns[k])
        if last_ns is None or t_ns - last_ns > MOST_GAP_S * 1e9:
            track.segments.append(gpxpy.gpx.GPXTrackSegment())
        last_ns = t_ns
        moment = None if np.isnan(moments[k]) else datetime.fromtimestamp(round(moments[k]) / 1000, UTC)
        point = gpxpy.gpx.GPXTrackPoint(
            round(float(columns.lat_deg[k]), 7), round(float(columns.lon_deg[k]), 7), time=moment
        )
        for name, value in (
            ("speed_m_s", columns.speed_m_s[k]),
            ("dose_l_ha", ground.dose_l_ha[k]),
            ("boom_on", columns.boom_on[k]),
        ):
            if np.isfinite(value):
                _extend(point, name, f"{value:.4g}")
        _extend(point, "ground", Kind(int(ground.kind[k])).name.lower())
        track.segments[-1].points.append(point)
    path.write_text(document.to_xml(version="1.1"), encoding="utf-8")


def _extend(point: gpxpy.gpx.GPXTrackPoint, name: str, text: str) -> None:
    element = ElementTree.Element(f"{{{NAMESPACE}}}{name}")
    element.text = text
    point.extensions.append(element)
