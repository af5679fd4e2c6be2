"""Ending tasks: one that loses its cancellation is asked again."""

import asyncio

import pytest

from baytrace.bench.ending import end


async def asks_for_ever(answers):
    """As a Modbus poll: each answer is waited for with a limit."""
    while True:
        answer = asyncio.get_running_loop().create_future()
        answers.append(answer)
        await asyncio.wait_for(answer, 60)


async def test_a_cancellation_that_meets_its_answer_is_made_again():
    """The answer comes in the same turn of the loop as the cancellation; the task ends all the same, and soon."""
    answers = []
    task = asyncio.create_task(asks_for_ever(answers))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    answers[0].set_result(1)
    async with asyncio.timeout(5):
        await end([task], again_s=0.05)
    assert task.cancelled()


@pytest.mark.parametrize("deaf_to", [0, 1, 3])
async def test_a_deaf_task_is_asked_until_it_ends(deaf_to):
    """However many cancellations are lost; other tasks are not kept waiting for their first."""

    async def deaf():
        for _ in range(deaf_to):
            try:
                await asyncio.sleep(60)
            except asyncio.CancelledError:
                continue
        await asyncio.sleep(60)

    tasks = [asyncio.create_task(deaf()), asyncio.create_task(asyncio.sleep(60))]
    await asyncio.sleep(0)
    async with asyncio.timeout(5):
        await end(tasks, again_s=0.02)
    assert all(task.cancelled() for task in tasks)


async def test_a_task_that_failed_is_no_fault_of_ending():
    """What it ended with stays in the task."""

    async def fails():
        raise ValueError("mine")

    task = asyncio.create_task(fails())
    await asyncio.sleep(0)
    await end([task])
    with pytest.raises(ValueError, match="mine"):
        task.result()
