"""A sensor node for a small microcontroller, in MicroPython: its sensors as NMEA 0183 XDR sentences.

A sketch to start from. Copy it to the microcontroller as main.py and set the numbers at the top to your own.
The part above `main` needs no hardware and runs in any Python.
"""

try:
    from time import ticks_diff  # MicroPython: its microseconds run over
except ImportError:

    def ticks_diff(newer, older):
        return newer - older


PULSES_PER_L = 450.0  # from 'rigmon calibrate flowmeter'
ZERO_FRACTION, SPAN_FRACTION, SPAN_BAR = 0.1, 0.9, 10.0  # 0.5 to 4.5 V of a 5 V supply, 10 bar
BAUD = 9600
EVERY_MS = 200
REST_US = 2_500_000  # no pulse for so long: no flow


def sentence(pressure_bar, flow_l_s, boom_on):
    """One XDR sentence with its checksum and line end. None: the sensor is broken; its value stays empty."""
    pressure = "" if pressure_bar is None else f"{pressure_bar:.4f}"
    flow = "" if flow_l_s is None else f"{flow_l_s:.5f}"
    boom = "" if boom_on is None else f"{int(boom_on)}"
    body = f"YXXDR,P,{pressure},B,BOOM,R,{flow},l,FLOW,S,{boom},,BOOM"
    check = 0
    for character in body:
        check ^= ord(character)
    return f"${body}*{check:02X}\r\n"


def pressure_bar(signal, supply):
    """From two converter readings of the same kind; None: open, short, or no supply."""
    if supply <= 0:
        return None
    fraction = signal / supply
    if not 0.05 < fraction < 0.95:
        return None
    return (fraction - ZERO_FRACTION) * SPAN_BAR / (SPAN_FRACTION - ZERO_FRACTION)


class PulseMeter:
    """Flow from the time between pulses, so that one pulse more or less in a sentence does not show."""

    def __init__(self, now_us):
        self.count = 0
        self.newest_us = now_us
        self.seen = 0
        self.from_us = None  # stamp of the newest pulse that is accounted for
        self.flow = None

    def pulse(self, now_us):
        """Call it in the interrupt of a rising edge."""
        self.newest_us = now_us
        self.count += 1

    def flow_l_s(self, now_us):
        """Litres per second since the last call; None: not known yet."""
        count, newest_us = self.count, self.newest_us
        while count != self.count:  # a pulse came between the two
            count, newest_us = self.count, self.newest_us
        if count == self.seen:
            if ticks_diff(now_us, newest_us) > REST_US:
                self.flow, self.from_us = 0.0, None
            return self.flow
        if self.from_us is not None and ticks_diff(newest_us, self.from_us) > 0:
            seconds = ticks_diff(newest_us, self.from_us) * 1e-6
            self.flow = (count - self.seen) / PULSES_PER_L / seconds
        self.seen, self.from_us = count, newest_us
        return self.flow


def main():
    import time

    from machine import ADC, UART, Pin

    uart = UART(0, BAUD)
    signal, supply = ADC(26), ADC(27)  # both through the divider of the pressure diagram
    boom = Pin(14, Pin.IN, Pin.PULL_UP)  # to ground while the boom is on
    meter = PulseMeter(time.ticks_us())
    flow = Pin(15, Pin.IN)
    flow.irq(lambda _: meter.pulse(time.ticks_us()), Pin.IRQ_RISING)
    while True:
        due_ms = time.ticks_add(time.ticks_ms(), EVERY_MS)
        bar = pressure_bar(signal.read_u16(), supply.read_u16())
        uart.write(sentence(bar, meter.flow_l_s(time.ticks_us()), boom.value() == 0))
        time.sleep_ms(max(0, ticks_diff(due_ms, time.ticks_ms())))


if __name__ == "__main__":
    main()
