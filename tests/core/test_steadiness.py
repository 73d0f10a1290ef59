"""Whether it is the meter that jumps, or the flow that changed."""

import pytest

from rigmon.core.coefficient import Block
from rigmon.core.found import Found
from rigmon.core.steadiness import Steadiness

CALM = 4e-4  # invented for the demo: relative mean square of a calm meter's steps
LEARN = 30


def block(n: int, roughness: float, pressure_roughness: float = CALM) -> Block:
    return Block(n * 1_000_000_000, 9.0, 276.0, 0.54, roughness, pressure_roughness, True)


@pytest.fixture
def steadiness() -> Steadiness:
    learned = Steadiness(Found(), LEARN)
    for n in range(LEARN):
        learned.update(block(n, CALM), held=False)
    return learned


@pytest.mark.parametrize(
    ("times", "jumps"),
    [
        ([1, 1, 1, 1, 1, 1, 1], False),  # calm
        ([30, 12, 1, 1, 1, 1, 1], False),  # a step of the flow: two rough blocks, and no more
        ([30, 12, 1, 2, 1, 2, 1], False),
        ([30, 9, 1, 3, 1, 2.5, 1], None),  # not clear yet: (3 + 2.5 + 3 x 1) / 5 = 1.7
        ([30, 1, 12, 1, 9, 1, 1], True),  # bursts with calm between them: (9 + 4 x 1) / 5 = 2.6
        ([9, 8, 7, 9, 6, 5, 8], True),  # jumps all the time
        ([30], False),  # one rough block may be a step
        ([30, 12], None),  # two may be one too
        ([30, 12, 9], True),
    ],
)
def test_a_step_is_told_from_bursts(steadiness: Steadiness, times: list[float], jumps: bool | None) -> None:
    """Hand-worked: without the two roughest blocks, above 2 it is the meter, from 1.5 on doubtful."""
    blocks = [block(LEARN + n, CALM * many) for n, many in enumerate(times)]
    assert steadiness.jumps(blocks) is jumps


def test_what_the_pressure_does_too_is_not_the_meter(steadiness: Steadiness) -> None:
    blocks = [block(LEARN + n, 9 * CALM, 9 * CALM) for n in range(7)]
    assert steadiness.jumps(blocks) is False


def test_without_a_base_nothing_is_said() -> None:
    assert Steadiness(Found(), LEARN).jumps([block(0, 1.0)]) is False
