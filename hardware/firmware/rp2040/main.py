"""A scale for the tillering rack: HX711 converter on an RP2040 board with MicroPython.

    GP2  converter's DOUT      GP3  converter's clock (PD_SCK)
    GP4  converter's RATE pin, if it is wired: high = 80 readings a second, low = 10

Copy this file to the board as main.py. Protocol: hardware/firmware/PROTOCOL.md.
"""

import select
import sys
from time import sleep_us, ticks_add, ticks_diff, ticks_ms

import machine

NAME = "rackcell"
VERSION = "1.1"
SILENT_MS = 700  # a converter at 10 readings a second needs 400 ms to settle after each start
TIMED = 8  # readings after which the rate that comes is compared with the rate that was asked for
HOLD_PIN = 15  # held low at the start: the firmware does not run, so that another can be loaded
TROUBLE_EVERY_MS = 1000
HIGH_END, LOW_END = 0x7FFFFF, -0x800000
WATCHDOG_MS = 2000
LONGEST_COMMAND = 23


def crc8(data):
    """CRC-8, polynomial 0x07, initial value 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x07) & 0xFF if crc & 0x80 else (crc << 1) & 0xFF
    return crc


def line(*parts):
    """A line with its checksum."""
    body = ",".join(str(p) for p in parts)
    return f"{body},{crc8(body.encode()):02X}\n"


class Converter:
    """The HX711 on its two pins."""

    def __init__(self, data_pin=2, clock_pin=3, rate_pin=4):
        self.data = machine.Pin(data_pin, machine.Pin.IN, machine.Pin.PULL_UP)
        self.clock = machine.Pin(clock_pin, machine.Pin.OUT, value=0)
        self.rate = machine.Pin(rate_pin, machine.Pin.OUT, value=1)

    def ready(self):
        return not self.data.value()

    def read(self):
        """24 bits and a 25th pulse (channel A, gain 128 next). The clock must not be high for 60 us: no interrupt between."""
        value = 0
        data, clock = self.data.value, self.clock.value
        for _ in range(24):
            state = machine.disable_irq()
            clock(1)
            bit = data()
            clock(0)
            machine.enable_irq(state)
            value = value << 1 | bit
        state = machine.disable_irq()
        clock(1)
        whole = data()  # with the 25th pulse DOUT goes up: a line that stays low is a short or a dead converter
        clock(0)
        machine.enable_irq(state)
        if not whole:
            return None
        return value - 0x1000000 if value & 0x800000 else value

    def restart(self):
        """Clock high for more than 60 us and low again: the converter starts anew."""
        self.clock.value(1)
        sleep_us(90)
        self.clock.value(0)


class Scale:
    """Reads the converter, writes lines, obeys commands."""

    def __init__(self, converter, write, watchdog=None, was_watchdog=False):
        self.converter, self.write, self.watchdog = converter, write, watchdog
        self.rate_hz = 80
        # the clock of the board's own ticks wraps much earlier than 2^32 ms: it is added up here
        self.ticks, self.ms = ticks_ms(), 0
        self.heard_ms = 0
        self.told_ms = -TROUBLE_EVERY_MS
        self.text, self.too_long = "", False
        self.timed, self.timed_from = 0, 0
        converter.restart()
        self.hello()
        if was_watchdog:
            self.write(line("E", "WATCHDOG"))

    def now(self):
        ticks = ticks_ms()
        self.ms = (self.ms + ticks_diff(ticks, self.ticks)) & 0xFFFFFFFF
        self.ticks = ticks_add(ticks, 0)
        return self.ms

    def hello(self):
        self.write(line("H", NAME, VERSION, self.rate_hz))

    def obey(self, text):
        if text == "hello":
            self.hello()
        elif text in ("rate 80", "rate 10"):
            self.rate_hz = int(text[5:])
            self.timed = 0
            self.converter.rate.value(self.rate_hz == 80)
            self.hello()
        elif text:
            self.write(line("E", "COMMAND"))

    def listen(self, text):
        """Takes what came over the serial line."""
        for c in text:
            if c in "\r\n":
                self.obey("?" if self.too_long else self.text)
                self.text, self.too_long = "", False
            elif len(self.text) < LONGEST_COMMAND:
                self.text += c
            else:
                self.too_long = True

    def tell(self, code, ms):
        if ms - self.told_ms >= TROUBLE_EVERY_MS:
            self.told_ms = ms
            self.write(line("E", code))

    def time_rate(self, ms):
        """RATE is often tied low on the converter's board: then ten a second come whatever is asked for, and the greeting says so."""
        if self.timed == 0:
            self.timed_from = ms
        self.timed += 1
        if self.timed == TIMED + 1:
            comes = 80 if 0 <= ms - self.timed_from < 50 * TIMED else 10
            if comes != self.rate_hz:
                self.rate_hz = comes
                self.hello()

    def turn(self):
        """One turn: a reading if there is one."""
        if self.watchdog is not None:
            self.watchdog.feed()
        ms = self.now()
        if self.told_ms > ms or self.heard_ms > ms:  # the clock wrapped
            self.told_ms, self.heard_ms = ms - TROUBLE_EVERY_MS, ms
        if self.converter.ready():
            counts = self.converter.read()
            if counts is None:
                self.tell("SILENT", ms)
                self.converter.restart()
                return
            self.heard_ms = ms
            self.time_rate(ms)
            if counts in (HIGH_END, LOW_END):
                self.tell("SATURATED", ms)
            else:
                self.write(line("W", ms, counts))
        elif ms - self.heard_ms > SILENT_MS:
            self.heard_ms = ms
            self.timed = 0
            self.tell("SILENT", ms)
            self.converter.restart()


class Out:
    """Whole lines to the host, or none: a host that does not read must not hold the scale up."""

    def __init__(self, stream):
        self.stream = stream
        self.room = select.poll()
        self.room.register(stream, select.POLLOUT)

    def write(self, text):
        """Sends a line if there is room for it."""
        if self.room.poll(0):
            self.stream.write(text)


def main():
    if not machine.Pin(HOLD_PIN, machine.Pin.IN, machine.Pin.PULL_UP).value():
        return
    try:
        import micropython

        micropython.kbd_intr(-1)  # a byte on the line must not end it
    except ImportError:
        pass
    was_watchdog = machine.reset_cause() == machine.WDT_RESET
    source = sys.stdin.buffer
    scale = Scale(Converter(), Out(sys.stdout).write, machine.WDT(timeout=WATCHDOG_MS), was_watchdog)
    waiting = select.poll()
    waiting.register(sys.stdin, select.POLLIN)
    while True:
        while waiting.poll(0):
            byte = source.read(1)
            scale.listen(chr(byte[0]) if byte and byte[0] < 128 else "?")
        scale.turn()


if __name__ == "__main__":
    main()
