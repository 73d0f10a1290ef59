"""The boom switch wired to the board: its state at each change at once, and again each second.

A contact bounces for some milliseconds. The first edge of a change is reported at once, with the kernel's
stamp; for a settling time after it nothing is, and then the pin itself says whether it stayed. A contact that
is never quiet (loose, or with ignition noise on its wire) is given longer and longer, so that it cannot
crowd out other readings, and a row says so.
"""

import threading
from typing import Any, Final

from rigmon.edge.board import InputPin
from rigmon.edge.hub import Hub
from rigmon.edge.paced import FIRST_RETRY_S, LONGEST_RETRY_S
from rigmon.errors import UsageError
from rigmon.model import Source, SourceFault, SwitchState

#: contacts bounce for less than this: common practice is 5 to 20 ms
SETTLE_NS: Final = 20_000_000
#: the settling time of a contact that is never quiet doubles up to this
LONGEST_SETTLE_NS: Final = 640_000_000
#: a change that follows another within so many settling times doubles it; after a longer pause it is short
_RESTLESS: Final = 4
#: the state is said again this often; the pin is looked at then, so an edge that got lost is made good
REPEAT_NS: Final = 1_000_000_000


class Contact:
    """What to report of a contact, from its edges and from looks at its level. Knows no clock of its own."""

    __slots__ = ("_changed_ns", "_last_ns", "_settle_ns", "_settled_ns", "on", "repeat_ns")

    def __init__(self, t_ns: int, on: bool) -> None:
        self.on = on  #: as reported
        self.repeat_ns = t_ns + REPEAT_NS  #: when the state is due again
        self._changed_ns: int | None = None
        self._last_ns = t_ns  # stamp of the newest edge
        self._settle_ns = SETTLE_NS
        self._settled_ns: int | None = None  # None: it is settled

    @property
    def due_ns(self) -> int:
        """When to look at the level next, if no edge comes before."""
        return self.repeat_ns if self._settled_ns is None else min(self.repeat_ns, self._settled_ns)

    @property
    def chatters(self) -> bool:
        """It was not quiet for so long that the settling time is at its longest."""
        return self._settle_ns == LONGEST_SETTLE_NS

    def settling(self, t_ns: int) -> bool:
        """Whether edges and level say nothing yet."""
        return self._settled_ns is not None and t_ns < self._settled_ns

    def edge(self, t_ns: int, on: bool) -> int | None:
        """An edge came that leaves the contact `on`. The stamp to report `self.on` with, or None."""
        self._last_ns = t_ns
        if self._settled_ns is not None or on is self.on:
            return None
        self._change(t_ns, on)
        return t_ns

    def look(self, t_ns: int, on: bool) -> int | None:
        """The contact was seen `on`. The stamp to report `self.on` with, or None."""
        if self.settling(t_ns):
            return None
        was_settling, self._settled_ns = self._settled_ns is not None, None
        if on is not self.on:
            # not what was reported: an edge that came while it settled led here, or one that got lost
            self._change(t_ns, on)
            return self._last_ns if was_settling else t_ns
        if t_ns < self.repeat_ns:
            return None
        self.repeat_ns = t_ns + REPEAT_NS
        return t_ns

    def _change(self, t_ns: int, on: bool) -> None:
        changed_ns, self._changed_ns = self._changed_ns, t_ns
        if changed_ns is not None and t_ns - changed_ns < _RESTLESS * self._settle_ns:
            self._settle_ns = min(2 * self._settle_ns, LONGEST_SETTLE_NS)
        else:
            self._settle_ns = SETTLE_NS
        self.on = on
        self._settled_ns = t_ns + self._settle_ns
        self.repeat_ns = t_ns + REPEAT_NS


class SwitchSource:
    """Reports the switch to the hub from a thread of its own. A pin in trouble is a row and a retry."""

    source: Final = Source.BOOM

    def __init__(self, hub: Hub, factory: Any, pin: int, pull: str, on_level: str) -> None:
        self._hub = hub
        self._factory = factory
        self._number = pin
        self._pull = pull
        self._on_high = on_level == "high"
        self._pin: InputPin | None = None
        self._contact: Contact | None = None
        self._wake = threading.Event()
        self._stopping = False
        self._thread: threading.Thread | None = None
        self._told: SourceFault | None = None
        self._chatter_told = False
        self._retry_s = FIRST_RETRY_S

    @property
    def about(self) -> str:
        """The pin and its level, for the run's rows."""
        level = "high" if self._on_high else "low"
        return f"boom_switch.pin = {self._number}, on while {level}"

    def check(self) -> None:
        """Claim and let go of the pin. Raises UsageError, naming the rig file's key, when that cannot be."""
        self._claim()
        self._let_go()

    def start(self) -> None:
        """Claim the pin and start the thread. Raises UsageError as check() does."""
        self._open()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="boom switch", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End the thread and let go of the pin."""
        if self._thread is not None:
            self._stopping = True
            self._wake.set()
            self._thread.join(timeout_s)
            self._thread = None
        self._let_go()

    # -- the pin -----------------------------------------------------------------------------------

    def _claim(self) -> bool:
        """Returns whether it is on."""
        self._pin = pin = InputPin(self._factory, self._number, self._pull, "boom_switch.pin")
        self._stamp = pin.stamps(self._hub.clock.now_ns)
        wake = self._wake
        #: the first edge since the thread took it, and the newest: what is between them is bounce. While the
        #: contact settles they are left, so that no edge of a storm wakes the thread
        self._edges = edges = [None, None]  # type: list[tuple[Any, Any] | None]

        def edge(ticks: Any, level: Any) -> None:
            if level == 0 or level == 1:  # noqa: PLR1714 - lgpio's watchdog reports say 2
                edges[1] = (ticks, level)
                if edges[0] is None:
                    edges[0] = (ticks, level)
                    wake.set()

        try:
            pin.listen("both", edge)
            return pin.high is self._on_high
        except Exception as error:  # lgpio's own
            self._let_go()
            raise UsageError(f"boom_switch.pin = {self._number} cannot be read: {error}") from error

    def _let_go(self) -> None:
        if self._pin is not None:
            self._pin.close()
            self._pin = None
        self._contact = None

    def _open(self) -> None:
        on = self._claim()
        now_ns = self._hub.clock.now_ns()
        self._told = SourceFault("opened", self.about, 0)
        self._hub.put(now_ns, self.source, self._told)
        self._contact = Contact(now_ns, on)
        self._chatter_told = False
        self._hub.put(now_ns, self.source, SwitchState(on))

    # -- the thread --------------------------------------------------------------------------------

    def _run(self) -> None:
        wait_s: float | None = 0.0
        while not self._stopping:
            self._wake.wait(wait_s)
            self._wake.clear()
            if not self._stopping:
                wait_s = self.turn()

    def turn(self) -> float:
        """One turn of the thread: what came since the last one. Returns how long to wait for an edge [s]."""
        hub = self._hub
        try:
            if self._contact is None:
                self._open()
            return self._look()
        except Exception as error:  # whatever a pin factory raises, the pin is opened anew
            kind = "failed" if self._contact is None else "closed"
            self._let_go()
            fault = SourceFault(kind, f"{self.about}: {error}", 0)
            if fault != self._told:
                hub.put(hub.clock.now_ns(), self.source, fault)
            self._told = fault
            wait_s, self._retry_s = self._retry_s, min(2 * self._retry_s, LONGEST_RETRY_S)
            return wait_s

    def _look(self) -> float:
        hub, contact, pin, edges = self._hub, self._contact, self._pin, self._edges
        assert contact is not None
        assert pin is not None
        pin.check_alive()
        now_ns = hub.clock.now_ns()
        if not contact.settling(now_ns):
            first, newest = edges
            edges[0] = edges[1] = None
            for seen in (first, newest):
                if seen is not None:
                    self._report(contact.edge(self._stamp(seen[0]), bool(seen[1]) is self._on_high))
            # the level has the last word: of an edge that got lost, or came while the two were taken
            self._report(contact.look(now_ns, pin.high is self._on_high))
        self._retry_s = FIRST_RETRY_S
        if contact.chatters and not self._chatter_told:
            detail = f"{self.about}: the contact is never quiet; check it, its wire's way and its pull-up"
            hub.put(now_ns, self.source, SourceFault("chatter", detail, 0))
        self._chatter_told = contact.chatters
        return max(0.0, (contact.due_ns - hub.clock.now_ns()) / 1e9)

    def _report(self, stamp_ns: int | None) -> None:
        if stamp_ns is not None and self._contact is not None:
            self._hub.put(stamp_ns, self.source, SwitchState(self._contact.on))
