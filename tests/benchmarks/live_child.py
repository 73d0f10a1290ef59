"""The daemon under the watch of `live_latency`: python -m tests.benchmarks.live_child RIG LOG TIMES

Wires what `rigmon run` wires, with pages where the rig file asks for them, and notes when each output is
handed to the feedback. At the end it writes TIMES, a JSON object: `start_ns`, the monotonic time of the hub's
stamp 0, and `samples` and `alerts`, lists of [monotonic ns when it was out, its stamp].
"""

import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from rigmon import config, daemon
from rigmon.edge.feedback import TerminalFeedback
from rigmon.edge.feedback_group import FeedbackGroup, Member
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.edge.pages import PagesLink
from rigmon.model import Alert, Output, Sample
from rigmon.rig import Rig


class Watched(TerminalFeedback):
    """The terminal's feedback, with the time of each output."""

    def __init__(self, rig: Rig) -> None:
        super().__init__(rig, sys.stdout)
        self.samples: list[tuple[int, int]] = []
        self.alerts: list[tuple[int, int]] = []

    def publish(self, outputs: Sequence[Output]) -> None:
        super().publish(outputs)
        now_ns = time.monotonic_ns()
        for output in outputs:
            if isinstance(output, Sample):
                self.samples.append((now_ns, output.t_ns))
            elif isinstance(output, Alert):
                self.alerts.append((now_ns, output.t_ns))


def main(rig_file: Path, log_path: Path, times_path: Path) -> None:
    rig, text = config.load(rig_file)
    clock = MonotonicClock()
    start_ns = time.monotonic_ns() - clock.now_ns()
    hub = Hub(clock)
    feedback = Watched(rig)
    members: dict[str, Member] = {"lines": feedback}
    if rig.web.enabled:
        # the pages first, so that what they take of the loop's time is in the figures
        members = {"pages": PagesLink(rig, text, hub), **members}
    daemon.run(rig, text, log_path, daemon.live_sources(rig, hub), hub, FeedbackGroup(members))
    times = {"start_ns": start_ns, "samples": feedback.samples, "alerts": feedback.alerts}
    times_path.write_text(json.dumps(times), encoding="ascii")


if __name__ == "__main__":
    main(*(Path(argument) for argument in sys.argv[1:4]))
