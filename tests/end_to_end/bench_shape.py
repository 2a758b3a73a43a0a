"""Claim: the benchmark runs the built daemon and prints one JSON object with everything that it promises, and the
counts that no other load on the machine can change are within their limits. No time decides anything here.
"""

import json
import numbers
import os
import pathlib
import subprocess
import sys
import tempfile

# What a benchmark of this station promises; common practice of this project, no source from outside.
FIGURES = ("latency_busy_ratio_p50", "latency_busy_ratio_p90", "latency_idle_ratio_p50", "latency_idle_ratio_p90",
           "floor_self_ratio", "throughput_ratio_32_tools", "fdatasync_per_result", "wal_pages_per_result",
           "allocations_per_result", "written_bytes_per_result", "start_to_withheld_ms", "resident_mib",
           "idle_cpu_percent", "crowd_quiet_cpu_percent", "crowd_hour_cpu_percent")
PERCENTILES = {"samples", "p10", "p25", "p50", "p75", "p90", "p99"}
MOST_PAGES = 6
# One sync a deciding result; a checkpoint may add a few to the whole.
MOST_SYNCS = 1.2


def faults_of(told):
    figures = told.get("figures", {})
    for name in FIGURES:
        value = figures.get(name)
        if not isinstance(value, numbers.Real) or not value > 0:
            yield f"figures.{name} is {value!r}, not a number above 0"
    for name, value in figures.items():
        if not isinstance(value, numbers.Real):
            yield f"figures.{name} is {value!r}; the object is flat and holds numbers"
    for which in ("latency_busy", "latency_idle"):
        for who in ("daemon_us", "floor_us"):
            series = told.get(which, {}).get(who, {})
            if set(series) != PERCENTILES:
                yield f"{which}.{who} has {sorted(series)}"
            elif (series["p99"] is None) != (series["samples"] < 7500):
                yield f"{which}.{who}.p99 is {series['p99']!r} with {series['samples']} samples"
    for key in ("cpu", "cpus", "kernel", "file_system", "memory", "pinned"):
        if key not in told.get("machine", {}):
            yield f"machine.{key} is missing"
    for key in ("tautgate", "commit", "compiler", "sqlite"):
        if not told.get("versions", {}).get(key):
            yield f"versions.{key} is missing"
    if [entry.get("tools") for entry in told.get("throughput", {}).get("by_tools", [])] != [1, 8, 32]:
        yield "throughput.by_tools is not of 1, 8 and 32 tools"


def counts_out_of_limits(told):
    figures = told["figures"]
    if not 1 <= figures["fdatasync_per_result"] <= MOST_SYNCS:
        yield f"{figures['fdatasync_per_result']} syncs a result; 1 keeps a result durable, more than that is waste"
    if not 1 <= figures["wal_pages_per_result"] <= MOST_PAGES:
        yield f"{figures['wal_pages_per_result']} pages of the log a result, at most {MOST_PAGES} are allowed"
    if figures.get("crowd_missed") != 0:
        yield f"{figures.get('crowd_missed')!r} results of the crowd of tools are missing; every one is kept"
    tables = told["counts"]["wal_pages"]["by_table"]
    if not tables.get("event", 0) >= 1 or not tables.get("tightening", 0) >= 1 or tables.get("unknown"):
        yield f"the pages by table are {tables}: every result adds to event and tightening, and each page has an owner"
    if abs(sum(tables.values()) - figures["wal_pages_per_result"]) > 0.001:
        yield f"the pages by table {tables} are not the {figures['wal_pages_per_result']} of a result"
    calls = told["system_calls"]
    if calls is not None and not calls["by_name"].get("fdatasync", 0) >= 1:
        yield f"the trace of the system calls shows no sync: {calls['by_name']}"


def main():
    bench = pathlib.Path(os.environ["TAUTGATE_BIN"]) / "tautgate-bench"
    with tempfile.TemporaryDirectory() as disk:
        run = subprocess.run([bench, "--smallest", "--disk", disk], capture_output=True, text=True, timeout=200)
    print(run.stderr)
    if run.returncode != 0:
        print(f"tautgate-bench ended with {run.returncode}")
        return 1
    told = json.loads(run.stdout)
    faults = list(faults_of(told))
    if not faults:
        faults = list(counts_out_of_limits(told))
    for fault in faults:
        print(fault)
    print(json.dumps(told["figures"], indent=2))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
