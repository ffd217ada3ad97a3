"""CRC-8 with polynomial 0x07, initial value 0, not reflected (CRC-8/SMBUS): the catalogues' check value is
0xF4 over the nine characters "123456789". The wrap of a 32-bit millisecond clock is arithmetic.
"""

from tiller.force.line import Hello, Reading, Reason, Rejected, Trouble, crc8, parse_line
from tiller.simulate.serial import checksum, line_of


def test_check_value() -> None:
    assert crc8(b"123456789") == 0xF4
    assert checksum("123456789") == 0xF4


def test_every_kind_of_line() -> None:
    assert parse_line(line_of("W", 1582524, -52067)) == Reading(1582524, -52067)
    assert parse_line(line_of("H", "rackcell", "0.4", 80)) == Hello("rackcell", "0.4", 80.0)
    assert parse_line(line_of("E", "adc")) == Trouble("adc")
    assert parse_line(line_of("W", 7, 1).upper() + "\r\n") == Reading(7, 1)


def test_what_is_wrong_is_named() -> None:
    good = line_of("W", 100, 5000)
    assert parse_line("") == Rejected(Reason.EMPTY)
    assert parse_line(good[:-1]) == Rejected(Reason.CUT)
    assert parse_line(good.replace("5000", "5001")) == Rejected(Reason.CHECKSUM)
    assert parse_line(line_of("W", 100)) == Rejected(Reason.GARBLED)
    assert parse_line(line_of("Q", 1, 2)) == Rejected(Reason.GARBLED)
    assert parse_line("W,1,2é,00") == Rejected(Reason.GARBLED)


def test_saturated_converter() -> None:
    # 24 bits, two's complement: 0x7FFFFF = 8388607 and 0x800000 = -8388608 are the ends (follows from two's complement)
    assert parse_line(line_of("W", 1, 0x7FFFFF)) == Rejected(Reason.SATURATED)
    assert parse_line(line_of("W", 1, -0x800000)) == Rejected(Reason.SATURATED)
    assert parse_line(line_of("W", 1, 8_000_000)) == Reading(1, 8_000_000)
