"""Runs our channel filter and general-purpose ones over the same samples, side by side on one core.

Every peer is checked for the same mask before it is timed: tones across the pass band must come out level within
the ripple, tones outside must be cut.

Times are processor time, from the difference between a run with many passes and one with a single pass: what a
process costs to start is left out, and so is the time that other programs had the core.

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


def tones_file(path, tones_hz, outputs, amplitude=0.9):
    """One tone after the other, each long enough for `outputs` channel samples."""
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


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a smoke run of a few seconds")
    parser.add_argument("--write", type=pathlib.Path, help="write the table to this file too")
    parser.add_argument("--core", type=int, default=0, help="core to pin everything to (default 0)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        peers, missing = build(folder)
        samples = DECIMATION * 4000
        source, target = folder / "noise.cu8", folder / "out.cf32"
        np.random.default_rng(1).integers(20, 235, 2 * samples, dtype=np.uint8).tofile(source)
        rounds, goal_s = (1, 0.2) if options.quick else (5, 1.5)
        masks = {n: check(c, folder, options.core, options.quick) for n, c in peers.items()}
        times = {n: [] for n in peers}
        # Turn about, so that a busy moment of the machine does not hit one peer alone.
        for _ in range(rounds):
            for peer, command in peers.items():
                best_s, start_s = call(command + arguments(source, target, 1), options.core)
                passes = max(int(goal_s / best_s), 5)
                _, whole_s = call(command + arguments(source, target, 1 + passes), options.core)
                times[peer].append(max(whole_s - start_s, 1e-9) / passes)
    ours = samples / float(np.median(times["this project"])) / 1e6
    lines = [f"{platform.processor() or platform.machine()}, {cpu()}; numpy {np.__version__}, scipy {scipy.__version__}",
             f"{samples} samples of cu8 a pass, {rounds} rounds, one core, processor time", "",
             "| way | median, MS/s | lowest to highest, MS/s | ours is faster by | pass-band ripple, dB | stop band, dB | mask |",
             "|---|---|---|---|---|---|---|"]
    for peer, took in times.items():
        median, low, high = (samples / t / 1e6 for t in (float(np.median(took)), max(took), min(took)))
        ripple, stop, good = masks[peer]
        lines.append(f"| {peer} | {median:.0f} | {low:.0f} to {high:.0f} | {ours / median:.1f} | {ripple:.3f} | "
                     f"{stop:.1f} | {'met' if good else 'NOT met'} |")
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
