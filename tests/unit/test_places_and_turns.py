"""Streams have places and heavy answers have turns: bounded, and given back."""

import asyncio

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from baytrace.web.places import Places, Turns


async def no_events():
    yield "data: x\n\n"


async def nothing(*_):
    return {"type": "http.disconnect"}


async def test_a_place_is_given_back_however_its_stream_ends():
    """After an ordinary end and after a client that broke off, the place is free; beyond the last one 503 is told."""
    places = Places(1)
    scope = {"type": "http", "asgi": {"spec_version": "2.4"}}
    stream = places.stream(no_events)
    with pytest.raises(HTTPException) as told:
        places.stream(no_events)
    assert told.value.status_code == 503
    await stream(scope, nothing, nothing)
    assert places.taken == 0

    async def broken(_):
        raise OSError("gone")

    with pytest.raises(ClientDisconnect):
        await places.stream(no_events)(scope, nothing, broken)
    assert places.taken == 0


async def test_heavy_answers_wait_their_turn_and_not_without_end():
    """Two at once, three waiting, the next is told to come again; a failed or cancelled one gives its turn back."""
    turns, working, most = Turns(2, 3), 0, 0
    gate = asyncio.Event()

    async def work():
        nonlocal working, most
        async with turns.turn():
            working += 1
            most = max(most, working)
            await gate.wait()
            working -= 1

    tasks = [asyncio.create_task(work()) for _ in range(5)]
    await asyncio.sleep(0.01)
    with pytest.raises(HTTPException) as told:
        await work()
    assert told.value.headers["Retry-After"]
    tasks[4].cancel()
    await asyncio.sleep(0.01)
    gate.set()
    results = await asyncio.gather(*tasks, return_exceptions=True)
    assert [type(each) for each in results] == [type(None)] * 4 + [asyncio.CancelledError]
    assert most == 2
    await work()
