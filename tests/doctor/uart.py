"""A serial line at the level of bits: what one rate sends, sampled by a UART at another.

8N1: idle is 1; a start bit 0, eight data bits from the lowest, a stop bit 1. The receiver waits for a fall,
samples each bit in its middle and hands the byte over whatever the stop bit says, as a raw terminal does.
"""

from bisect import bisect_right


class Wire:
    """The level of a line over time, as the times [s] at which it changes; it begins at 1."""

    def __init__(self) -> None:
        self.changes: list[float] = []
        self.end_s = 0.0

    def send(self, data: bytes, baud: int, idle_bits: float = 0.0) -> None:
        bit_s = 1 / baud
        level = 1
        for byte in data:
            frame = [0, *((byte >> n) & 1 for n in range(8)), 1]
            for n, bit in enumerate(frame):
                if bit != level:
                    self.changes.append(self.end_s + n * bit_s)
                    level = bit
            self.end_s += len(frame) * bit_s
        self.end_s += idle_bits * bit_s

    def level(self, t_s: float) -> int:
        return 1 - bisect_right(self.changes, t_s) % 2

    def sampled(self, baud: int) -> bytes:
        """What a UART set to `baud` makes of it."""
        bit_s = 1 / baud
        received = bytearray()
        t_s = 0.0
        while True:
            # the next fall: changes at even places go from 1 to 0
            place = bisect_right(self.changes, t_s)
            if self.level(t_s) == 1:
                if place >= len(self.changes):
                    return bytes(received)
                t_s = self.changes[place]
            elif place % 2 == 0 or t_s > self.end_s:
                return bytes(received)
            byte = sum(self.level(t_s + (n + 1.5) * bit_s) << n for n in range(8))
            received.append(byte)
            # it looks for the next start bit from the middle of the stop bit on
            t_s += 9.5 * bit_s
            if self.level(t_s) == 0:
                # a break: wait until the line is up again
                place = bisect_right(self.changes, t_s)
                if place >= len(self.changes):
                    return bytes(received)
                t_s = self.changes[place]


def resampled(data: bytes, sent_baud: int, set_baud: int) -> bytes:
    wire = Wire()
    wire.send(data, sent_baud)
    return wire.sampled(set_baud)
