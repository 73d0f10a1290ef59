"""Several feedbacks as one: what one of them cannot do costs neither the run nor the others."""

from collections.abc import Callable, Sequence
from typing import Protocol

from rigmon.model import Output
from rigmon.rig import Rig


class Member(Protocol):
    """What the daemon asks of a feedback."""

    @property
    def trouble(self) -> str | None: ...

    def start(self) -> None: ...

    def publish(self, outputs: Sequence[Output]) -> None: ...

    def tell(self, t_ns: int, text: str) -> None: ...

    def use(self, rig: Rig) -> None: ...

    def stop(self) -> None: ...


class FeedbackGroup:
    """Hands everything to each member. One that raises, or says that it is in trouble, is dropped.

    That is told to the others once, and kept in `trouble`; `failures` counts the members dropped.
    """

    def __init__(self, members: dict[str, Member]) -> None:
        """`members` by what the person calls them, such as 'lights'."""
        self.failures = 0
        self._names = list(members)
        self._all = list(members.values())
        self._going = dict(members)
        self._troubles: list[str] = []

    @property
    def trouble(self) -> str | None:
        return "; ".join(self._troubles) or None

    def start(self) -> None:
        """Start the members. Those that were dropped in an earlier run get another chance."""
        self.failures = 0
        self._troubles.clear()
        self._going = dict(zip(self._names, self._all, strict=True))
        self._each(0, lambda member: member.start())

    def publish(self, outputs: Sequence[Output]) -> None:
        self._each(outputs[-1].t_ns if outputs else 0, lambda member: member.publish(outputs))

    def tell(self, t_ns: int, text: str) -> None:
        self._each(t_ns, lambda member: member.tell(t_ns, text))

    def use(self, rig: Rig) -> None:
        """Show by this rig from now on."""
        self._each(0, lambda member: member.use(rig))

    def stop(self) -> None:
        """Stop every member, those that were dropped too: their lights may still be on."""
        for name, member in zip(self._names, self._all, strict=True):
            try:
                member.stop()
            except Exception as error:
                self._note(name, f"{name}: could not be stopped: {error}")
            if member.trouble is not None:
                self._note(name, member.trouble)

    def _each(self, t_ns: int, work: Callable[[Member], None]) -> None:
        """Do `work` with each member that is going; drop those that fail and tell the others."""
        for name, member in list(self._going.items()):
            if name not in self._going:  # dropped while it was told of another
                continue
            try:
                work(member)
                why = member.trouble
            except Exception as error:
                why = f"{name}: failed: {error}"
            if why is not None and self._note(name, why):
                self.tell(t_ns, why)

    def _note(self, name: str, why: str) -> bool:
        """Drop a member; False: it had been dropped before."""
        if self._going.pop(name, None) is None:
            return False
        self.failures += 1
        self._troubles.append(why)
        return True
