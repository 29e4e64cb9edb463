"""Events are judged alike on threads and on processes, and no process outlives the service."""

import asyncio
import os
import select
import signal
import sys
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace

import numpy as np
import pytest

from gaugelink.app.judges import Judges, workers_for
from gaugelink.peak.detector import find_events
from gaugelink.peak.events import EngineHints, EventSamples, GaugeKind, GaugeTraits
from gaugelink.peak.judge import judge
from tests.peak.shapes import clock, pulses, shown

ANY, LIVE, HELD = GaugeTraits(), GaugeTraits(kind=GaugeKind.LIVE), GaugeTraits(kind=GaugeKind.HELD)
TWO = EngineHints(cycle=2)

SERVICE = """
import asyncio, os, signal
from gaugelink.app.judges import Judges

async def main():
    async with Judges(2) as judges:
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(judges._pool, os.getpid)
        print(*judges._pool._processes, flush=True)
        await asyncio.Event().wait()

if __name__ == "__main__":
    asyncio.run(main())
"""


def event(seed: int = 1) -> EventSamples:
    t = clock(12.0, 100.0)
    (samples,) = find_events(t, shown(pulses(t, 5.0, 8), seed=seed))
    return samples


@pytest.mark.parametrize(
    ("gauges", "cores", "workers"),
    [
        ([LIVE], 4, 0),
        ([LIVE, HELD, HELD], 4, 0),
        ([LIVE, LIVE], 4, 2),
        ([ANY, LIVE, HELD], 4, 2),
        ([LIVE] * 6, 4, 4),
        ([LIVE] * 6, 1, 0),
        ([HELD] * 100, 4, 0),
    ],
)
def test_processes_are_for_several_live_gauges_on_several_cores(
    gauges: list[GaugeTraits], cores: int, workers: int
) -> None:
    assert workers_for(gauges, cores) == workers


async def test_processes_and_threads_judge_alike() -> None:
    asked = [event(seed) for seed in range(4)]
    direct = [judge(samples, LIVE, TWO) for samples in asked]
    for workers in (0, 2):
        async with Judges(workers) as judges:
            judged = await asyncio.gather(*(judges.judge(samples, LIVE, TWO) for samples in asked))
        for one, other in zip(judged, direct, strict=True):
            assert one.fitted is not None
            assert other.fitted is not None
            assert np.array_equal(one.fitted.pressure_kpa, other.fitted.pressure_kpa)
            assert replace(one, fitted=None) == replace(other, fitted=None)


async def test_a_process_that_is_killed_loses_no_event(caplog: pytest.LogCaptureFixture) -> None:
    async with Judges(1) as judges:
        pool = judges._pool
        assert pool is not None
        with pytest.raises(BrokenProcessPool):
            await asyncio.get_running_loop().run_in_executor(pool, os._exit, 1)
        samples = event()
        assert (await judges.judge(samples, LIVE, TWO)).strokes == judge(samples, LIVE, TWO).strokes
    assert "on threads from now on" in caplog.text


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
async def test_the_processes_end_with_the_service(how: signal.Signals, tmp_path: object) -> None:
    script = f"{tmp_path}/service.py"
    await asyncio.to_thread(_write, script)
    service = await asyncio.create_subprocess_exec(
        sys.executable, script, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL
    )
    assert service.stdout is not None
    workers = [int(pid) for pid in (await service.stdout.readline()).split()]
    assert len(workers) == 2
    watched = [os.pidfd_open(pid) for pid in workers]
    service.send_signal(how)
    await service.wait()
    ended = await asyncio.to_thread(_all_ended, watched)
    for handle in watched:
        os.close(handle)
    assert ended


def _write(path: str) -> None:
    with open(path, "w", encoding="utf-8") as file:
        file.write(SERVICE)


def _all_ended(handles: list[int]) -> bool:
    """Whether every process has ended; each is given half a minute."""
    return all(select.select([handle], [], [], 30.0)[0] for handle in handles)
