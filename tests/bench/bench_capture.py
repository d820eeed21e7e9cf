"""Print how long a whole capture takes against polars reading the same file alone, and the most memory it needs.

Measured twice: the sums alone, and the whole way of the program, which keeps the file under its digest, works it out
as the worker does with its progress in a database, and stores the result (embedded database in a scratch folder).

Run from the project's root: python -m tests.bench.bench_capture [megabytes ...]
Every figure comes from a process of its own, so that one does not leave memory behind for the next; the two times of
a ratio are taken in turns within one process.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl

from linelog.calc.capture.analyse import CaptureSetup, analyse_capture
from linelog.calc.capture.motion import Crank
from linelog.calc.capture.ring import Probe, Ring
from linelog.calc.capture.rows import Signals
from linelog.calc.capture.synthetic import Scenario, make_rows

RING = Ring(tuple(Probe(name, angle, 100.0) for name, angle in (("p12", 0), ("p3", 90), ("p6", 180), ("p9", 270))))
CRANK = Crank(610.0, 900.0)
SIGNALS = {
    "pulse": Signals(pulse="pulse", temperature="oil"),
    "crank angle": Signals(phase="crank", temperature="oil"),
    "pattern": Signals(temperature="oil"),
}
RUNS = 7


def write_csv(path: Path, megabytes: float) -> None:
    """Write an invented capture of about that size: 10 kHz, 350 strokes/min, four probes."""
    with path.open("wb") as file:
        for rows in make_rows(Scenario(strokes=16.0 * megabytes, speed_per_min=350.0, rate_hz=10_000.0), RING, CRANK):
            columns = {"time": rows.time_s.round(4), **dict(zip(RING.columns, rows.probes.round(4), strict=True))}
            crank, oil = rows.phase.round(1), rows.temperature.round(2)
            frame = pl.DataFrame({**columns, "pulse": rows.pulse.astype(int), "crank": crank, "oil": oil})
            frame.write_csv(file, include_header=rows.first == 1)
            if file.tell() > megabytes * 1e6:
                return


def seconds(work: Callable[[], object]) -> float:
    """Return how long `work` takes."""
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def peak_mb() -> float:
    """Return the most memory this process has held, in MB (Linux's high water mark of resident memory)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1000.0


def whole(path: Path, by: str) -> object:
    return analyse_capture(path, CaptureSetup(RING, SIGNALS[by], CRANK))


def program(path: Path) -> dict[str, float]:
    """Measure in this process, on a scratch folder: keeping the file as the page does, then the worker's task."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {"LINELOG_DATA": folder, "DJANGO_SETTINGS_MODULE": "linelog.settings", "DATABASE_URL": ""}
        import django

        django.setup()
        from django.core.files.base import File
        from django.core.management import call_command
        from django.utils import timezone

        call_command("migrate", verbosity=0)
        from linelog.alignment import tasks
        from linelog.alignment.services import captures
        from tests import factories
        from tests.alignment import capturing

        machine = factories.machine()
        by, at = factories.person("mechanic", machine.line.plant), timezone.now()
        recorded = captures.Recorded(capturing.setup(machine, ring=RING), at)
        begun = time.perf_counter()
        with path.open("rb") as file:
            sent = File(file, name=path.name)
            kept = captures.receive(by=by, at=at, machine=machine, recorded=recorded, file=sent, limit_bytes=10**9)
        received = time.perf_counter() - begun
        worked = seconds(lambda: tasks.capture.func(kept.job_id))
        kept.refresh_from_db()
        if kept.state != kept.State.DONE:
            raise SystemExit(f"the capture gave no result: {kept.sentence or kept.job.message}")
        return {"receive_s": received, "worker_s": worked, "peak_mb": peak_mb()}


def measure(path: Path, by: str, what: str) -> dict[str, float]:
    """Measure in this process: 'ratio' of the times of analysis and bare reading, or 'memory' of the analysis."""
    if what == "program":
        return program(path)
    if what == "memory":
        whole(path, by)
        return {"peak_mb": peak_mb()}
    read = pl.read_csv if path.suffix == ".csv" else pl.read_parquet
    bare, ours = zip(
        *[(seconds(lambda: read(path)), seconds(lambda: whole(path, by))) for _ in range(RUNS)], strict=True
    )
    ratios = sorted(b / a for a, b in zip(bare, ours, strict=True))
    return {"bare_s": min(bare), "ours_s": min(ours), "best": min(ours) / min(bare), "median": ratios[RUNS // 2]}


def apart(path: Path, by: str, what: str) -> dict[str, float]:
    """Measure in a process of its own."""
    command = [sys.executable, "-m", "tests.bench.bench_capture", "--one", str(path), by, what]
    found: dict[str, float] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return found


def tell_program(path: Path, size: float, bare_s: float) -> None:
    """Print the whole way of the program beside polars reading the file alone."""
    whole_way = apart(path, "pulse", "program")
    print(
        f"{path.suffix:>8} {size:6.0f} MB through the program: kept in {whole_way['receive_s']:.2f} s, "
        f"worked out and stored in {whole_way['worker_s']:.2f} s (ratio {whole_way['worker_s'] / bare_s:.2f}), "
        f"peak memory {whole_way['peak_mb']:.0f} MB",
        flush=True,
    )


def main(sizes: list[float]) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        for megabytes in sizes:
            csv = Path(folder) / f"{megabytes:g}.csv"
            write_csv(csv, megabytes)
            parquet = csv.with_suffix(".parquet")
            pl.scan_csv(csv).sink_parquet(parquet)
            for path in (csv, parquet):
                for by in SIGNALS:
                    size = path.stat().st_size / 1e6
                    found = apart(path, by, "ratio") | apart(path, by, "memory")
                    times = f"polars alone {found['bare_s']:.2f} s, whole analysis {found['ours_s']:.2f} s"
                    ratios = f"ratio {found['best']:.2f} (median of pairs {found['median']:.2f})"
                    memory = f"peak memory {found['peak_mb']:.0f} MB"
                    print(f"{path.suffix:>8} {size:6.0f} MB by {by:<11}: {times}, {ratios}, {memory}", flush=True)
                    if by == "pulse":
                        tell_program(path, size, found["bare_s"])
            csv.unlink()
            parquet.unlink()


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(measure(Path(sys.argv[2]), *sys.argv[3:])))
    else:
        main([float(each) for each in sys.argv[1:]] or [100.0, 400.0])
