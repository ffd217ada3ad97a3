"""Whatever comes down the line: no exception, nothing wrong accepted but by the checksum's own chance."""

from hypothesis import example, given, settings
from hypothesis import strategies as st

from tiller.force.line import MS_LIMIT, Reading, Rejected, crc8, parse_line
from tiller.simulate.serial import checksum, line_of


@settings(max_examples=600)
@given(st.binary(max_size=100))
@example(b"W,1,2,")
@example(b",")
@example(b"W,\xb2,1,00")
def test_any_bytes(raw: bytes) -> None:
    line = parse_line(raw)
    if isinstance(line, Reading):
        body, _, tail = raw.strip(b"\r\n \t\0").rpartition(b",")
        assert int(tail, 16) == checksum(body.decode("ascii"))


@given(st.integers(0, MS_LIMIT - 1), st.integers(-8_388_606, 8_388_605))
def test_round_trip(ms: int, counts: int) -> None:
    assert parse_line(line_of("W", ms, counts)) == Reading(ms, counts)


@given(st.integers(0, MS_LIMIT - 1), st.integers(-8_000_000, 8_000_000), st.data())
def test_one_changed_character_is_never_another_reading(ms: int, counts: int, data: st.DataObject) -> None:
    # a CRC-8 finds every burst of up to 8 bits (property of any CRC of that length)
    line = line_of("W", ms, counts)
    at = data.draw(st.integers(0, len(line) - 4))
    other = data.draw(st.characters(min_codepoint=33, max_codepoint=126).filter(lambda c: c != line[at]))
    changed = line[:at] + other + line[at + 1 :]
    assert isinstance(parse_line(changed), Rejected) or parse_line(changed) == Reading(ms, counts)


@given(st.binary(max_size=40), st.binary(max_size=40))
def test_crc_is_linear(a: bytes, b: bytes) -> None:
    size = max(len(a), len(b))
    a, b = a.rjust(size, b"\0"), b.rjust(size, b"\0")
    mixed = bytes(x ^ y for x, y in zip(a, b, strict=True))
    assert crc8(mixed) == crc8(a) ^ crc8(b)
