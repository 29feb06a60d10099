"""Runs our channel filter and general-purpose ones over the same samples, side by side on one core.

Each library is used in several arrangements, and the fastest that keeps to the mask speaks for it. Every one is
checked before it is timed: tones across the pass band must come out level within the ripple, tones outside must be cut.

Two speeds are given. Processor time is the difference between a run with many passes and one with a single pass, a
pass: what a process costs to start is left out, and so is the time that other programs had the core. Wall time is that
of a run's fastest pass. Both are medians over the rounds.

usage: run.py [--quick] [--write FILE] [--core N]
Needs: cargo, cc, liquid-dsp (Debian: libliquid-dev) and a Python with numpy and scipy. A peer that is not installed
is left out of the table, and the table says so.
"""

import argparse
import os
import pathlib
import platform
import resource
import shutil
import subprocess
import sys
import tempfile

import numpy as np
import scipy

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
OURS, LIQUID = "this project", "liquid-dsp"
# What each arrangement is stands in the peers' own files. The first of a kind goes into a quick run.
LIQUID_METHODS = ["dotprod/16", "dotprod/12", "dotprod/24", "real/12", "firdecim/16"]
NUMPY_METHODS = {"numpy, product in one step": ["matrix/1", "matrix/4"],
                 "numpy, product in two steps": ["matrix/1/16/8", "matrix/1/12/8", "matrix/1/24/8"],
                 "scipy, overlap-save": ["overlap-save/128/4", "overlap-save/128/8"],
                 "scipy, overlap-save with pruned transforms": ["pruned/384/4", "pruned/256/4"]}
RATE, OFFSET, PASS, STOP, DECIMATION, STOPBAND_DB, RIPPLE_DB = 2.4e6, -412_300.0, 6250.0, 12_500.0, 96, 70.0, 0.1


def environment():
    """Numpy's own choice of kernels, one thread."""
    env = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    env.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", MKL_NUM_THREADS="1")
    return env


def call(command, core):
    """Runs a peer; gives the seconds of its fastest pass by the clock, and its whole processor time in seconds."""
    pin = ["taskset", "-c", str(core)] if shutil.which("taskset") else []
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(pin + [str(c) for c in command], env=environment(), capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise RuntimeError(f"{command[0]} failed: {done.stderr.strip()}")
    return float(done.stdout.split()[-1]), after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def build(folder, quick):
    """Commands of the peers that can be built here, by name; and why the others cannot."""
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    subprocess.run(["cargo", "build", "--quiet", "--release", "--package", "lobewright-dsp", "--example", "channel_peer"],
                   cwd=ROOT, check=True)
    peers = {OURS: [target / "release/examples/channel_peer"]}
    missing = {}
    compiler = shutil.which("cc")
    binary = folder / "liquid_peer"
    compiled = compiler and subprocess.run(
        [compiler, "-O3", "-march=native", "-o", binary, HERE / "liquid_peer.c", "-lliquid", "-lm"],
        capture_output=True, text=True)
    take = 1 if quick else None
    if compiled and compiled.returncode == 0:
        peers.update({f"{LIQUID}, {m}": [binary, m] for m in LIQUID_METHODS[:take]})
    else:
        missing[LIQUID] = "not built: " + (compiled.stderr.splitlines()[0] if compiled else "no C compiler")
    for kind, methods in NUMPY_METHODS.items():
        peers.update({f"{kind}, {m}": [sys.executable, HERE / "numpy_peer.py", m] for m in methods[:take]})
    return peers, missing


def tones_file(path, tones_hz, outputs, amplitude=0.9):
    """One tone after the other, each long enough for `outputs` channel samples. Gives their amplitude."""
    if path.exists():
        return amplitude
    n = np.arange(outputs * DECIMATION)
    rng = np.random.default_rng(11)
    with open(path, "wb") as file:
        for hz in tones_hz:
            x = amplitude * np.exp(2j * np.pi * ((OFFSET + hz) / RATE * n % 1.0))
            # Triangular dither of one step makes the error of 8 bit noise that does not depend on the tone.
            dither = rng.random(2 * len(n)) + rng.random(2 * len(n)) - 1.0
            codes = np.round(x.view(np.float64) * 127.5 + 127.5 + dither)
            file.write(np.clip(codes, 0, 255).astype(np.uint8).tobytes())
    return amplitude


def gains_db(command, folder, core, tones_hz, outputs):
    source, target = folder / "tones.cu8", folder / "tones.cf32"
    # A last tone that is not looked at, since some peers drop an incomplete block.
    amplitude = tones_file(source, np.append(tones_hz, 0.0), outputs)
    call(command + arguments(source, target, 1), core)
    y = np.fromfile(target, np.complex64)
    gains = []
    for i, hz in enumerate(tones_hz):
        part = y[i * outputs + outputs // 4:][:outputs // 2]
        # Only the tone's own line, where it lies after decimation: the dither is not the filter's.
        window = np.kaiser(len(part), 12.0)
        turn = np.exp(-2j * np.pi * hz * DECIMATION / RATE * np.arange(len(part)))
        gains.append(20 * np.log10(max(abs(np.sum(part * window * turn) / window.sum()), 1e-9) / amplitude))
    return gains


def arguments(source, target, repeats):
    return [source, target, RATE, OFFSET, PASS, STOP, DECIMATION, STOPBAND_DB, repeats]


def check(command, folder, core, quick):
    """Ripple, worst stop-band gain, and whether both keep to the mask."""
    outputs, count = (1000, 5) if quick else (2000, 25)
    inside = np.linspace(-PASS, PASS, count)
    outside = np.concatenate([np.linspace(STOP, 4 * STOP, count), np.linspace(4 * STOP, RATE - STOP, 2 * count)])
    gains = gains_db(command, folder, core, np.concatenate([inside, outside]), outputs)
    ripple, stop = max(gains[:count]) - min(gains[:count]), max(gains[count:])
    # The dither leaves an error of some 0.003 dB inside, and of half a decibel at -70 dB.
    return ripple, stop, ripple <= RIPPLE_DB + 0.005 and stop <= -STOPBAND_DB + 0.5


def measure(peers, inputs, core, rounds, goal_s):
    """Seconds a pass of each way: processor time and the fastest pass by the clock, one of each a round."""
    times = {n: ([], []) for n in peers}
    # Turn about, so that a busy moment of the machine does not hit one peer alone.
    for _ in range(rounds):
        for peer, command in peers.items():
            best_s, start_s = call(command + arguments(*inputs, 2), core)
            passes = max(int(goal_s / best_s), 5)
            fastest_s, whole_s = call(command + arguments(*inputs, 2 + passes), core)
            times[peer][0].append(max(whole_s - start_s, 1e-9) / passes)
            times[peer][1].append(fastest_s)
    return times


def table(times, masks, missing, samples):
    """Lines of the table, the fastest first, and what it comes to."""
    speeds = {n: [samples / float(np.median(t)) / 1e6 for t in pair] for n, pair in times.items()}
    fair = [n for n in speeds if n != OURS and masks[n][2]]
    best = max(fair, key=lambda n: speeds[n][0], default=None)
    liquid = max((n for n in fair if n.startswith(LIQUID)), key=lambda n: speeds[n][0], default=None)

    def beside(n, other, clock):
        return f"{speeds[n][clock] / speeds[other][clock]:.2f}" if other else "-"

    lines = ["| way | processor time, MS/s | lowest to highest | wall time, MS/s | of the fastest peer's speed | "
             "of liquid-dsp's | pass-band ripple, dB | stop band, dB | mask |", "|---|---|---|---|---|---|---|---|---|"]
    for n in sorted(speeds, key=lambda n: -speeds[n][0]):
        ripple, stop, good = masks[n]
        low, high = (samples / t / 1e6 for t in (max(times[n][0]), min(times[n][0])))
        lines.append(f"| {n} | {speeds[n][0]:.0f} | {low:.0f} to {high:.0f} | {speeds[n][1]:.0f} | {beside(n, best, 0)} | "
                     f"{beside(n, liquid, 0)} | {ripple:.3f} | {stop:.1f} | {'met' if good else 'NOT met'} |")
    lines += [f"| {n} | {why} | | | | | | | |" for n, why in missing.items()] + [""]
    lines += [f"This project against {n}: {beside(OURS, n, 0)} times its speed in processor time, {beside(OURS, n, 1)} in "
              "wall time." for n in dict.fromkeys([best, liquid]) if n]
    return lines


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a smoke run, one way of each kind")
    parser.add_argument("--write", type=pathlib.Path, help="write the table to this file too")
    parser.add_argument("--core", type=int, default=0, help="core to pin everything to (default 0)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        peers, missing = build(folder, options.quick)
        samples = DECIMATION * 40_000
        source, target = folder / "noise.cu8", folder / "out.cf32"
        np.random.default_rng(1).integers(20, 235, 2 * samples, dtype=np.uint8).tofile(source)
        rounds, goal_s = (1, 0.2) if options.quick else (5, 1.0)
        masks = {n: check(c, folder, options.core, options.quick) for n, c in peers.items()}
        before = load()
        times = measure(peers, (source, target), options.core, rounds, goal_s)
    lines = [f"{platform.processor() or platform.machine()}, {cpu()}; numpy {np.__version__}, scipy {scipy.__version__}",
             f"{samples} samples of cu8 a pass, {rounds} rounds, one core; load {before} before and {load()} after", ""]
    text = "\n".join(lines + table(times, masks, missing, samples)) + "\n"
    print(text)
    if options.write:
        options.write.write_text(text, encoding="utf-8")
    return 0 if masks[OURS][2] else 1


def load():
    return f"{os.getloadavg()[0]:.1f}"


def cpu():
    try:
        for line in pathlib.Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return "processor unknown"


if __name__ == "__main__":
    sys.exit(main())
