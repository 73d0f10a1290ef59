"""Several feedbacks as one: what one of them cannot do costs neither the run nor the others."""

from collections.abc import Sequence

from rigmon.edge.feedback_group import FeedbackGroup
from rigmon.model import Anchor, Output

NEWS = (Anchor(7, None),)


class Member:
    """Notes what it is asked to do; raises where it is told to, or says that it is in trouble."""

    def __init__(self, *raises_at: str) -> None:
        self.trouble: str | None = None
        self.raises_at = raises_at
        self.calls: list[object] = []

    def _do(self, what: str, detail: object = None) -> None:
        self.calls.append(what if detail is None else (what, detail))
        if what in self.raises_at:
            raise OSError("gone")

    def start(self) -> None:
        self._do("start")

    def publish(self, outputs: Sequence[Output]) -> None:
        self._do("publish", tuple(outputs))

    def tell(self, t_ns: int, text: str) -> None:
        self._do("tell", (t_ns, text))

    def stop(self) -> None:
        self._do("stop")


def test_each_member_gets_everything() -> None:
    one, two = Member(), Member()
    group = FeedbackGroup({"lines": one, "lights": two})
    group.start()
    group.publish(NEWS)
    group.tell(5, "GPS: closed")
    group.stop()
    assert one.calls == two.calls == ["start", ("publish", NEWS), ("tell", (5, "GPS: closed")), "stop"]
    assert (group.trouble, group.failures) == (None, 0)


def test_one_that_raises_is_dropped_and_the_others_are_told_once() -> None:
    lines, lights = Member(), Member("publish")
    group = FeedbackGroup({"lights": lights, "lines": lines})
    group.start()
    for _ in range(3):
        group.publish(NEWS)
    told = ("tell", (7, "lights: failed: gone"))
    assert lines.calls == ["start", told, *[("publish", NEWS)] * 3]
    assert lights.calls == ["start", ("publish", NEWS)]
    assert (group.trouble, group.failures) == ("lights: failed: gone", 1)
    group.stop()
    assert lights.calls[-1] == "stop"  # or it might stay lit
    assert (group.trouble, group.failures) == ("lights: failed: gone", 1)


def test_one_whose_thread_failed_is_dropped_at_the_next_news() -> None:
    lines, lights = Member(), Member()
    group = FeedbackGroup({"lines": lines, "lights": lights})
    group.start()
    lights.trouble = "lights: no signals any more: the chip is gone"
    group.publish(NEWS)
    group.publish(NEWS)
    assert lines.calls.count(("tell", (7, lights.trouble))) == 1
    assert len([call for call in lights.calls if call == ("publish", NEWS)]) == 1
    assert group.trouble == lights.trouble


def test_one_that_cannot_start_does_not_end_the_run() -> None:
    lines, buzzer = Member(), Member("start")
    group = FeedbackGroup({"buzzer": buzzer, "lines": lines})
    group.start()
    group.publish(())
    group.stop()
    assert lines.calls == [("tell", (0, "buzzer: failed: gone")), "start", ("publish", ()), "stop"]
    assert buzzer.calls == ["start", "stop"]
    assert group.trouble == "buzzer: failed: gone"


def test_all_may_fail_one_after_another_even_while_they_are_told() -> None:
    first, second, third = Member("publish"), Member("tell"), Member("tell")
    group = FeedbackGroup({"first": first, "second": second, "third": third})
    group.start()
    group.publish(NEWS)
    group.publish(NEWS)
    group.stop()
    assert group.failures == 3
    assert group.trouble == "first: failed: gone; second: failed: gone; third: failed: gone"
    assert ("publish", NEWS) not in third.calls


def test_one_that_cannot_be_stopped_is_told_of_and_the_others_are_stopped() -> None:
    one, two = Member("stop"), Member()
    group = FeedbackGroup({"lights": one, "buzzer": two})
    group.start()
    two.trouble = "buzzer: a pin hangs"
    group.stop()
    assert two.calls[-1] == "stop"
    assert group.trouble == "lights: could not be stopped: gone; buzzer: a pin hangs"


def test_the_next_run_begins_afresh() -> None:
    lights = Member("publish")
    group = FeedbackGroup({"lights": lights})
    group.start()
    group.publish(NEWS)
    group.stop()
    lights.raises_at = ()
    group.start()
    group.publish(NEWS)
    group.stop()
    assert (group.trouble, group.failures) == (None, 0)
    assert lights.calls[-2:] == [("publish", NEWS), "stop"]
