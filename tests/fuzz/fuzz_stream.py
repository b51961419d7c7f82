"""Coverage-guided fuzzing of the decoder; not part of the normal tests.

    pip install atheris && python -m tests.fuzz.fuzz_stream -max_total_time=60

Checks on every input: no exception, the same result however the bytes are cut, no memory
beyond one line, a whole line after a LF always taken, and that a line taken has a right CRC.
"""

import sys

import atheris

with atheris.instrument_imports(include=["logger.board.stream"]):
    from logger.board.stream import Item, LineDecoder, Void, Window

from firmware_probe.line_format import LINE_MAX_BYTES, crc16, frame

GOOD = frame(
    "w,1042,104200512,94,4.512300,4.488000,4.507479,48.2130,12.1000,96.4000,1.395521,6.297012"
)


def right_lines(data: bytes) -> int:
    """Lines with a right CRC, counted the slow and obvious way."""
    count = 0
    for line in data.split(b"\n")[:-1]:
        body, star, crc = line.removesuffix(b"\r").rpartition(b"*")
        count += bool(star) and b"%04X" % crc16(body) == crc
    return count


def decode(data: bytes, step: int) -> list[Item]:
    decoder = LineDecoder()
    items: list[Item] = []
    for start in range(0, len(data), step):
        items += decoder.feed(data[start : start + step])
        if len(decoder._pending) >= LINE_MAX_BYTES:
            raise AssertionError("more than one line is kept")
    return items


def one_input(data: bytes) -> None:
    """Entry point of the fuzzer."""
    step = 1 + (data[0] if data else 0)
    whole = b"\n" + data + b"\n" + GOOD
    items = decode(whole, len(whole))
    if items != decode(whole, step):
        raise AssertionError("the result depends on how the bytes are cut")
    if not isinstance(items[-1], Window):
        raise AssertionError("the line after a LF was not taken")
    if sum(not isinstance(item, Void) for item in items) > right_lines(whole):
        raise AssertionError("a line with a wrong CRC was taken")


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
