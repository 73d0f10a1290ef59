"""Telling the service manager, over a real datagram socket. The protocol is sd_notify(3)'s."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rigmon.edge.notify import (
    POWER_OFF_FILE,
    ServiceNotifier,
    ask_for_power_off,
    service_notifier,
    status,
)
from rigmon.model import Alert, Sample
from rigmon.rig import Rig


class Manager:
    """The service manager's end."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self.socket.setblocking(False)

    def got(self) -> list[str]:
        messages = []
        while True:
            try:
                messages.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return messages


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    manager = Manager(str(tmp_path / "notify"))
    yield manager
    manager.socket.close()


class Time:
    s = 1000.0

    def __call__(self) -> float:
        return self.s


def sample(**values: Any) -> Sample:
    return Sample(
        **{**dict.fromkeys(Sample._fields), "t_ns": 0, "dt_ns": 0, "basis": 0, "flags": 0, **values}
    )


def alert(code: str, raised: bool = True) -> Alert:
    return Alert(0, code, raised, None, None, "")


def test_ready_and_stopping(manager: Manager, us_rig: Rig) -> None:
    notifier = ServiceNotifier(us_rig, manager.address, None)
    notifier.ready()
    notifier.stopping()
    notifier.close()
    assert manager.got() == ["READY=1", "STOPPING=1"]


def test_pings_come_only_with_what_was_handled_and_four_in_the_watchdogs_time(
    manager: Manager, us_rig: Rig
) -> None:
    time = Time()
    notifier = ServiceNotifier(us_rig, manager.address, 20.0, monotonic_s=time)
    time.s += 3600
    assert manager.got() == []  # time alone pings nothing
    notifier.handled(True, "run a")
    assert [m for m in manager.got() if "WATCHDOG" in m] == ["WATCHDOG=1"]
    pings = 0
    for _ in range(200):  # ten readings a second for 20 s
        time.s += 0.1
        notifier.handled(True, "run a")
        pings += manager.got().count("WATCHDOG=1")
    assert pings in (3, 4)


def test_what_is_not_healthy_pings_nothing(manager: Manager, us_rig: Rig) -> None:
    time = Time()
    notifier = ServiceNotifier(us_rig, manager.address, 20.0, monotonic_s=time)
    for _ in range(100):
        time.s += 1
        notifier.handled(False, "run a")
    assert not [m for m in manager.got() if "WATCHDOG" in m]


def test_without_a_watchdog_nothing_pings(manager: Manager, us_rig: Rig) -> None:
    notifier = ServiceNotifier(us_rig, manager.address, None)
    notifier.handled(True, "run a")
    assert not [m for m in manager.got() if "WATCHDOG" in m]


def test_the_status_comes_now_and_then_with_the_newest(manager: Manager, us_rig: Rig) -> None:
    time = Time()
    notifier = ServiceNotifier(us_rig, manager.address, None, monotonic_s=time)
    notifier.handled(True, "between runs")
    assert manager.got() == ["STATUS=-- mph; -- gal/ac; no alerts; between runs"]
    notifier.show([sample(speed_m_s=1.56464, rate_l_ha=159.017), alert("gps_lost"), alert("speed_slow")])
    notifier.show([alert("gps_lost", raised=False)])
    notifier.handled(True, "run a")
    assert manager.got() == []
    time.s += 5
    notifier.handled(True, "run a")
    # 1.56464 m/s / 0.44704 = 3.5 mph; 159.017 / 9.353956 = 17.0 gal/ac
    assert manager.got() == ["STATUS=3.5 mph; 17.0 gal/ac; 1 alert: too slow; run a"]


def test_the_status_is_in_the_rigs_units(metric_rig: Rig) -> None:
    # 1.56464 m/s x 3.6 = 5.63 km/h
    text = status(sample(speed_m_s=1.56464, rate_l_ha=159.4), metric_rig, ["gps_lost", "rate_low"], "run a")
    assert text == "5.6 km/h; 159.4 L/ha; 2 alerts: GPS lost, rate low; run a"


def test_a_manager_that_is_gone_or_does_not_read_holds_up_nothing(tmp_path: Path, us_rig: Rig) -> None:
    ServiceNotifier(us_rig, str(tmp_path / "nobody"), 20.0).ready()
    manager = Manager(str(tmp_path / "full"))
    notifier = ServiceNotifier(us_rig, manager.address, 20.0)
    for _ in range(10_000):  # a socket holds a few hundred at most
        notifier.ready()
    assert 0 < len(manager.got()) < 10_000
    notifier.ready()
    assert manager.got() == ["READY=1"]
    manager.socket.close()


# -- what the environment says -----------------------------------------------------------------------------


def test_no_service_has_no_notifier(us_rig: Rig) -> None:
    assert service_notifier(us_rig, {}) is None
    assert service_notifier(us_rig, {"NOTIFY_SOCKET": ""}) is None
    assert service_notifier(us_rig, {"NOTIFY_SOCKET": "vsock:2:1234"}) is None


@pytest.mark.parametrize(
    ("environment", "pings"),
    [
        ({}, 0),
        ({"WATCHDOG_USEC": "20000000"}, 1),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": str(os.getpid())}, 1),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "1"}, 0),  # it is meant for another process
        ({"WATCHDOG_USEC": "0"}, 0),
        ({"WATCHDOG_USEC": "soon"}, 0),
    ],
)
def test_the_environment_says_whether_there_is_a_watchdog(
    manager: Manager, us_rig: Rig, environment: dict[str, str], pings: int
) -> None:
    notifier = service_notifier(us_rig, {"NOTIFY_SOCKET": manager.address, **environment})
    assert notifier is not None
    notifier.handled(True, "run a")
    assert manager.got().count("WATCHDOG=1") == pings


def test_an_abstract_socket(us_rig: Rig) -> None:
    manager = Manager(f"@rigmon-test-{os.getpid()}")
    notifier = service_notifier(us_rig, {"NOTIFY_SOCKET": manager.address})
    assert notifier is not None
    notifier.ready()
    assert manager.got() == ["READY=1"]
    manager.socket.close()


# -- power-off ----------------------------------------------------------------------------------------------


def test_power_off_is_asked_for_by_a_file_in_the_services_own_folder(tmp_path: Path) -> None:
    asked = ask_for_power_off({"RUNTIME_DIRECTORY": f"{tmp_path}:/run/other"})
    assert asked == tmp_path / POWER_OFF_FILE
    assert asked.exists()
    assert ask_for_power_off({}) is None
    with pytest.raises(OSError, match="nowhere"):
        ask_for_power_off({"RUNTIME_DIRECTORY": str(tmp_path / "nowhere")})
