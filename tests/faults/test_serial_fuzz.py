"""Ten million bytes of a wire gone wrong: partial, joined, repeated and corrupted lines."""

import random

import pytest

from baytrace_adapters._checksum import Checksum
from baytrace_adapters._decode_line import Grammar, LineDecoder, Place
from baytrace_adapters._framing import LineBuffer
from baytrace_adapters._numbers import Unreadable

BYTES = 10_000_000


def damaged(rng, line, sent):
    """One line as a bad wire hands it on, most often whole."""
    kind = rng.random()
    if kind < 0.5:
        return line
    place = rng.randrange(len(line))
    if kind < 0.6:
        return line[:place]
    if kind < 0.7:
        return line[place:]
    if kind < 0.8:
        return line.rstrip(b"\r\n")
    if kind < 0.9:
        changed = bytearray(line)
        changed[place] = rng.randrange(256)
        return bytes(changed)
    if kind < 0.95:
        return line[:place] + rng.randbytes(rng.randrange(1, 20)) + line[place:]
    return sent[rng.randrange(len(sent))][place:] + line


@pytest.mark.slow
def test_no_value_that_was_not_sent_whole():
    """Every value that comes out of ten million bytes of damage was sent, and good lines still come through.

    Lines carry a CRC-32; what it lets pass is one damaged line in 2**32, none here (the seed is fixed).
    """
    rng = random.Random(20_261_125)
    decoder = LineDecoder(Grammar([Place("p", "micron")], checksum=Checksum.CRC32, checksum_separator="*"))
    buffer, sent, allowed = LineBuffer(), [], set()
    seen = stored = rejected = 0
    while seen < BYTES:
        stream = bytearray()
        while len(stream) < 65_536:
            text = f"{rng.uniform(0, 1e6):.3f}"
            allowed.add(float(text))
            line = f"{text}*{Checksum.CRC32.of(text.encode()):08X}\r\n".encode()
            sent = [*sent[-20:], line]
            stream += damaged(rng, line, sent)
        start = 0
        while start < len(stream):
            end = start + rng.randrange(1, 400)
            for piece in buffer.feed(bytes(stream[start:end])):
                try:
                    values = decoder.decode(piece) if isinstance(piece, bytes) else None
                except Unreadable:
                    rejected += 1
                    continue
                stored += len(values or [])
                assert all(value.value in allowed for value in values or []), piece
            start = end
        seen += len(stream)
    assert stored > BYTES / 100
    assert rejected > BYTES / 100
