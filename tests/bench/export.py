"""An archive of many signs out of a store, beside Python's csv module writing the same rows, which it has in memory already, turn by turn; the other formats once."""

import csv
import io
import pathlib
import resource
import shutil
import statistics
import subprocess
import sys
import time
import zipfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = ROOT / "target" / "release" / "export-many"
FOLDER = ROOT / "target" / "bench" / "export"
csv.field_size_limit(sys.maxsize)


def ours(store, out, form):
    if out.exists():
        out.unlink()
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    said = subprocess.run([PROGRAM, "write", store, out, form], check=True, capture_output=True, text=True).stdout.split()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return float(said[0]), processor, int(said[1]) / 1000, int(said[2])


def rows_of(archive):
    with zipfile.ZipFile(archive) as members:
        names = [name for name in members.namelist() if name.endswith(".csv")]
        return {name: list(csv.reader(io.TextIOWrapper(members.open(name), "utf-8", newline=""))) for name in names}


def theirs(tables):
    start, processor = time.perf_counter(), time.process_time()
    for name, rows in tables.items():
        with open(FOLDER / name, "w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)
    return time.perf_counter() - start, time.process_time() - processor


signs = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 5
store = FOLDER / f"store-{signs}"
if not store.exists():
    shutil.rmtree(FOLDER, ignore_errors=True)
    FOLDER.mkdir(parents=True)
    print(subprocess.run([PROGRAM, "make", store, str(signs)], check=True, capture_output=True, text=True).stdout.strip())
archive = FOLDER / "records.zip"
_, _, _, records = ours(store, archive, "dwca")
tables = rows_of(archive)
count = sum(len(rows) - 1 for rows in tables.values())
megabytes = sum(len(cell) for rows in tables.values() for row in rows for cell in row) / 1e6
print(f"{records} occurrences, {count} rows in {len(tables)} tables, {megabytes:.0f} MB of cells; the archive is {archive.stat().st_size / 1e6:.1f} MB")
measured = []
for i in range(rounds):
    (seconds, processor, peak, _), (their_seconds, their_processor) = ours(store, archive, "dwca"), theirs(tables)
    measured.append((seconds / their_seconds, processor / their_processor, peak))
    print(
        f"  round {i + 1}: store to archive {seconds:.2f} s ({processor:.2f} s of the processor), {peak:.0f} MB at most; "
        f"Python's csv {their_seconds:.2f} s ({their_processor:.2f} s); ratio {measured[-1][0]:.2f} ({measured[-1][1]:.2f})"
    )
median = [statistics.median(column) for column in zip(*measured)]
print(
    f"ratio {median[0]:.2f}, of the processor's time alone {median[1]:.2f} (asked: at most 3), "
    f"peak memory {max(row[2] for row in measured):.0f} MB (asked: under 200)"
)
for form in ["csv", "geojson", "gpx", "gpkg"]:
    out = FOLDER / f"records.{form}"
    seconds, processor, peak, _ = ours(store, out, form)
    print(f"  {form}: {seconds:.2f} s ({processor:.2f} s), {peak:.0f} MB at most, a file of {out.stat().st_size / 1e6:.0f} MB")
