"""Bytes into lines: however they are cut, no line that was not sent whole."""

from hypothesis import given
from hypothesis import strategies as st

from baytrace_adapters._framing import Fragment, LineBuffer, Terminator, TooLong

ENDS = {
    Terminator.AUTO: [b"\n", b"\r", b"\r\n"],
    Terminator.LF: [b"\n"],
    Terminator.CR: [b"\r"],
    Terminator.CRLF: [b"\r\n"],
}
BODY = st.binary(min_size=1, max_size=30).filter(lambda line: b"\r" not in line and b"\n" not in line)
MANY = st.lists(BODY, max_size=8)


def cut(data, places):
    places = sorted({place % (len(data) + 1) for place in places})
    return [data[start:end] for start, end in zip([0, *places], [*places, len(data)], strict=True)]


def fed(buffer, chunks):
    return [piece for chunk in chunks for piece in buffer.feed(chunk)]


@given(MANY, st.sampled_from(list(Terminator)), st.lists(st.integers(0, 300), max_size=10), st.data())
def test_lines_do_not_depend_on_how_bytes_arrive(lines, terminator, places, data):
    """Whole, byte by byte, or cut anywhere: the same lines in the same order."""
    stream = b"".join(line + data.draw(st.sampled_from(ENDS[terminator])) for line in lines)
    byte_by_byte = [stream[index : index + 1] for index in range(len(stream))]
    assert fed(LineBuffer(terminator), [stream]) == lines
    assert fed(LineBuffer(terminator), byte_by_byte) == lines
    assert fed(LineBuffer(terminator), cut(stream, places)) == lines


@given(MANY, BODY)
def test_a_tail_without_its_end_is_never_a_line(lines, tail):
    """What is not terminated is kept back, and dropped by a break."""
    buffer = LineBuffer()
    assert fed(buffer, [b"".join(line + b"\n" for line in lines) + tail]) == lines
    assert buffer.pending == tail
    buffer.broken()
    assert buffer.feed(b"rest\nwhole\n") == [Fragment(b"rest"), b"whole"]


@given(BODY, st.integers(0, 29), MANY)
def test_after_a_break_everything_up_to_the_next_end_is_a_fragment(line, place, lines):
    """A stream entered anywhere gives no piece of the line it was entered in."""
    stream = line[place % len(line) :] + b"\n" + b"".join(one + b"\r\n" for one in lines)
    buffer = LineBuffer()
    buffer.broken()
    pieces = fed(buffer, [stream[index : index + 1] for index in range(len(stream))])
    assert isinstance(pieces[0], Fragment)
    assert pieces[1:] == lines


@given(st.integers(11, 400), st.integers(1, 50))
def test_a_line_beyond_the_cap_is_cut_and_the_next_one_is_whole(length, step):
    """Memory is bounded; the overlong line is told once with its beginning, and nothing of it appears as a line."""
    stream = b"x" * length + b"\nnext\n"
    buffer = LineBuffer(longest=10)
    pieces = fed(buffer, [stream[index : index + step] for index in range(0, len(stream), step)])
    assert pieces == [TooLong(b"x" * 10), b"next"]
    assert len(buffer.pending) <= 10


def test_reset_begins_anew():
    """After a reset the next byte begins a line."""
    buffer = LineBuffer()
    buffer.feed(b"12")
    buffer.reset()
    assert buffer.feed(b"34\n") == [b"34"]
