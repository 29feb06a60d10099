"""Runs our channel filter and general-purpose ones over the same samples, side by side on one core.

Every peer is checked for the same mask before it is timed: tones across the pass band must come out level within
the ripple, tones outside must be cut.

usage: run.py [--quick] [--write FILE]
Needs: cargo, cc, liquid-dsp (Debian: libliquid-dev) and a Python with numpy and scipy. A peer that is not installed
is left out of the table, and the table says so.
"""

import argparse
import os
import pathlib
import platform
import shutil
import subprocess
import sys
import tempfile

import numpy as np
import scipy

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
RATE, OFFSET, PASS, STOP, DECIMATION, STOPBAND_DB, RIPPLE_DB = 2.4e6, -412_300.0, 6250.0, 12_500.0, 96, 70.0, 0.1
# An 8-bit tone carries quantisation noise and harmonics; summed over dithered codes they stay under this.
NOISE_DB = -80.0


def environment():
    """Numpy's own choice of kernels, one thread."""
    env = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    env.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", MKL_NUM_THREADS="1")
    return env


def call(command, core):
    pin = ["taskset", "-c", str(core)] if shutil.which("taskset") else []
    done = subprocess.run(pin + [str(c) for c in command], env=environment(), capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"{command[0]} failed: {done.stderr.strip()}")
    return float(done.stdout.split()[-1])


def build(folder):
    """Commands of the peers that can be built here, by name; and why the others cannot."""
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    subprocess.run(["cargo", "build", "--quiet", "--release", "--package", "lobewright-dsp", "--example", "channel_peer"],
                   cwd=ROOT, check=True)
    peers = {"this project": [target / "release/examples/channel_peer"]}
    missing = {}
    compiler = shutil.which("cc")
    binary = folder / "liquid_peer"
    compiled = compiler and subprocess.run(
        [compiler, "-O3", "-march=native", "-o", binary, HERE / "liquid_peer.c", "-lliquid", "-lm"],
        capture_output=True, text=True)
    if compiled and compiled.returncode == 0:
        peers["liquid-dsp"] = [binary]
    else:
        missing["liquid-dsp"] = "not built: " + (compiled.stderr.splitlines()[0] if compiled else "no C compiler")
    for method in ("overlap-save", "matrix"):
        peers[f"numpy/scipy, {method}"] = [sys.executable, HERE / "numpy_peer.py", method]
    return peers, missing


def tone_file(path, hz, samples, amplitude=0.9):
    n = np.arange(samples)
    x = amplitude * np.exp(2j * np.pi * ((OFFSET + hz) / RATE * n % 1.0))
    rng = np.random.default_rng(11)
    parts = x.view(np.float64) * 127.5 + 127.5
    # Triangular dither of one step makes the error noise that does not depend on the tone.
    dither = rng.random(2 * samples) + rng.random(2 * samples) - 1.0
    np.clip(np.round(parts + dither), 0, 255).astype(np.uint8).tofile(path)
    return amplitude


def gain_db(command, folder, core, hz, samples):
    source, target = folder / "tone.cu8", folder / "tone.cf32"
    amplitude = tone_file(source, hz, samples)
    call(command + arguments(source, target, 1), core)
    y = np.fromfile(target, np.complex64)
    y = y[len(y) // 4: 3 * len(y) // 4]
    # Only the tone's own line, where it lies after decimation: the dither is not the filter's.
    out_rate = RATE / DECIMATION
    window = np.kaiser(len(y), 12.0)
    line = np.sum(y * window * np.exp(-2j * np.pi * hz / out_rate * np.arange(len(y)))) / window.sum()
    return 20 * np.log10(max(abs(line), 1e-9) / amplitude)


def arguments(source, target, repeats):
    return [source, target, RATE, OFFSET, PASS, STOP, DECIMATION, STOPBAND_DB, repeats]


def check(name, command, folder, core, quick):
    samples = 96 * (4000 if quick else 20_000)
    count = 5 if quick else 13
    inside = [gain_db(command, folder, core, hz, samples) for hz in np.linspace(-PASS, PASS, count)]
    edge = np.concatenate([np.linspace(STOP, 4 * STOP, count), np.linspace(4 * STOP, RATE - STOP, 2 * count)])
    outside = [gain_db(command, folder, core, hz, samples) for hz in edge]
    ripple, stop = max(inside) - min(inside), max(outside)
    return ripple, stop, ripple <= RIPPLE_DB + 0.005 and stop <= -STOPBAND_DB + 0.5


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a smoke run of a few seconds")
    parser.add_argument("--write", type=pathlib.Path, help="write the table to this file too")
    parser.add_argument("--core", type=int, default=0, help="core to pin everything to (default 0)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        peers, missing = build(folder)
        samples = 96 * (10_000 if options.quick else 200_000)
        source, target = folder / "noise.cu8", folder / "out.cf32"
        np.random.default_rng(1).integers(20, 235, 2 * samples, dtype=np.uint8).tofile(source)
        rounds, repeats = (1, 2) if options.quick else (5, 3)
        masks = {n: check(n, c, folder, options.core, options.quick) for n, c in peers.items()}
        times = {n: [] for n in peers}
        # Turn about, so that a busy moment of the machine does not hit one peer alone.
        for _ in range(rounds):
            for peer, command in peers.items():
                times[peer].append(call(command + arguments(source, target, repeats), options.core))
    ours = samples / min(times["this project"]) / 1e6
    lines = [f"{platform.processor() or platform.machine()}, {cpu()}; numpy {np.__version__}, scipy {scipy.__version__}",
             f"{samples} samples of cu8, best and median of {rounds} rounds of {repeats} passes, one core", "",
             "| way | best, MS/s | median, MS/s | ours is faster by | pass-band ripple, dB | stop band, dB | mask |",
             "|---|---|---|---|---|---|---|"]
    for peer, took in times.items():
        best, median = samples / min(took) / 1e6, samples / float(np.median(took)) / 1e6
        ripple, stop, good = masks[peer]
        lines.append(f"| {peer} | {best:.0f} | {median:.0f} | {ours / best:.1f} | {ripple:.3f} | {stop:.1f} | "
                     f"{'met' if good else 'NOT met'} |")
    lines += [f"| {peer} | {why} | | | | | |" for peer, why in missing.items()]
    text = "\n".join(lines) + "\n"
    print(text)
    if options.write:
        options.write.write_text(text, encoding="utf-8")
    return 0 if masks["this project"][2] else 1


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
