"""The state as Prometheus text: base units, unit-bearing names; what is unknown is left out."""

from collections.abc import Iterator

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4

from rigmon.web.show import Show

_HECTARE_M2 = 10_000
_L_PER_M3 = 1000
_S_PER_MIN = 60


class _Collector:
    """Everything from one show at the moment it is asked."""

    def __init__(self, show: Show) -> None:
        self._show = show

    def collect(self) -> Iterator[Metric]:
        show = self._show
        board = show.board
        state, rig = board.state, board.rig
        beat = show.beat()
        yield _gauge("up", "1 while the daemon's samples come, and are not stale.", float(not beat["stale"]))
        if not beat["stale"] and state.sample is not None:
            yield from self._sample()
        if not beat["stale"]:
            yield from self._weather()
        for name, text, value in (
            ("run_treated_area_square_meters", "Ground treated in this run.", state.totals.area_m2),
            (
                "run_applied_volume_cubic_meters", "Volume put onto known ground in this run.",
                state.totals.volume_l / _L_PER_M3,
            ),
            ("run_distance_meters", "Distance travelled in this run.", state.totals.distance_m),
            ("run_boom_on_seconds", "Time with the boom on in this run.", state.totals.boom_on_s),
            ("run_unknown_seconds", "Time with the boom on and the dose unknown.", state.totals.unknown_s),
        ):  # fmt: skip
            yield _gauge(name, text, value)
        yield _gauge("target_rate_cubic_meters_per_square_meter", "Application rate that is meant.",
                     rig.target.rate_l_ha / _L_PER_M3 / _HECTARE_M2)  # fmt: skip
        yield _gauge("target_rate_tolerance_ratio", "Tolerance of it.", rig.target.tolerance_pct / 100)
        if state.tank.level_l is not None and not state.tank.at_most:
            yield _gauge("tank_level_cubic_meters", "In the tank.", state.tank.level_l / _L_PER_M3)
        if state.tank.capacity_l is not None:
            yield _gauge(
                "tank_capacity_cubic_meters", "What the tank holds.", state.tank.capacity_l / _L_PER_M3
            )
        alerts = GaugeMetricFamily("rigmon_alert_active", "1 for each alert that is up.", labels=["code"])
        for code in sorted(state.alerts):
            alerts.add_metric([code], 1.0)
        yield alerts
        yield _gauge("feed_clients", "Clients that follow the feed.", float(len(show.fanout.clients)))
        refused = CounterMetricFamily("rigmon_feed_clients_refused", "Clients that found no room.")
        refused.add_metric([], float(show.fanout.refused))
        yield refused
        skipped = CounterMetricFamily("rigmon_link_batches_skipped", "Batches that the pages missed.")
        skipped.add_metric([], float(show.skipped))
        yield skipped

    def _weather(self) -> Iterator[Metric]:
        board = self._show.board
        if board.status()["weather"] is None or board.state.weather is None:
            return
        weather = board.state.weather
        for name, text, value, scale in (
            (
                "wind_meters_per_second",
                "Wind over the ground, mean of 2 minutes.",
                weather.wind_2min_m_s,
                1.0,
            ),
            ("wind_from_degrees", "Where it comes from, from true north.", weather.wind_2min_from_deg, 1.0),
            ("gust_meters_per_second", "Highest 3 s mean in 10 minutes.", weather.gust_m_s, 1.0),
            ("air_temperature_celsius", "Air temperature.", weather.air_temperature_c, 1.0),
            ("air_humidity_ratio", "Relative humidity.", weather.humidity_pct, 0.01),
        ):
            if value is not None:
                yield _gauge(name, text, value * scale)

    def _sample(self) -> Iterator[Metric]:
        sample = self._show.board.state.sample
        assert sample is not None
        now = self._show.board.now()
        for name, text, value, scale in (
            ("speed_meters_per_second", "Ground speed.", sample.speed_m_s, 1.0),
            ("speed_to_hold_meters_per_second", "Speed that gives the target rate.", now["hold_m_s"], 1.0),
            (
                "rate_cubic_meters_per_square_meter", "Application rate.", sample.rate_l_ha,
                1 / _L_PER_M3 / _HECTARE_M2,
            ),
            ("rate_uncertainty_ratio", "Expanded uncertainty of the rate, k = 2.", sample.rate_u_pct, 0.01),
            (
                "flow_cubic_meters_per_second", "Flow of the whole boom.", sample.flow_l_min,
                1 / _L_PER_M3 / _S_PER_MIN,
            ),
            ("pressure_pascals", "Boom pressure, above the air's.", sample.pressure_kpa, 1000.0),
            ("boom_on", "1 with the boom on, 0 with it off.", sample.boom_on, 1.0),
            ("latitude_degrees", "Position, WGS 84.", sample.lat_deg, 1.0),
            ("longitude_degrees", "Position, WGS 84.", sample.lon_deg, 1.0),
        ):  # fmt: skip
            if value is not None:
                yield _gauge(name, text, value * scale)


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(f"rigmon_{name}", text, value=value)


def exposition(show: Show) -> tuple[bytes, str]:
    """The text and its content type."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Collector(show))
    return generate_latest(registry), CONTENT_TYPE_PLAIN_0_0_4
