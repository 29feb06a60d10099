"""Writes reference.json: windows, filters and responses computed by SciPy.

Run with any Python that has SciPy; the versions are written into the file.
The numbers are plain results of SciPy (BSD-3-Clause), free to use.
"""

import json
import platform

import numpy as np
import scipy
from scipy import signal, special


def complex_list(values):
    return [[float(v.real), float(v.imag)] for v in values]


def remez_case(numtaps, bands, desired, weight):
    taps = signal.remez(numtaps, bands, desired, weight=weight, fs=1.0, grid_density=128, maxiter=200)
    worst = 0.0
    for i, (gain, w) in enumerate(zip(desired, weight)):
        f = np.linspace(bands[2 * i], bands[2 * i + 1], 20001)
        h = np.abs(signal.freqz(taps, worN=f, fs=1.0)[1])
        worst = max(worst, float(np.max(np.abs(h - gain))) * w)
    return {"numtaps": numtaps, "bands": bands, "desired": desired, "weight": weight,
            "taps": taps.tolist(), "worst": worst}


def main():
    i0_at = [0.0, 0.1, 1.0, 2.5, 5.0, 8.6, 12.0, 20.0, 50.0]
    attenuations = [15.0, 21.0, 30.0, 50.0, 60.0, 80.0, 100.0]
    windows = [(51, 8.6), (32, 5.0), (1, 3.0), (7, 0.0)]
    lowpasses = [(63, 0.05, 7.857), (48, 0.2, 5.0)]
    firs = []
    for n, cutoff, beta in lowpasses:
        taps = signal.firwin(n, cutoff, window=("kaiser", beta), fs=1.0)
        f = np.linspace(0.0, 0.5, 41)
        h = signal.freqz(taps, worN=f, fs=1.0)[1]
        firs.append({"len": n, "cutoff": cutoff, "beta": beta, "taps": taps.tolist(),
                     "frequency": f.tolist(), "response": complex_list(h)})
    rng = np.random.default_rng(7)
    x = (rng.standard_normal(4096) + 1j * rng.standard_normal(4096)) * 0.1
    x = x.astype(np.complex64)
    f, pxx = signal.welch(x, fs=1000.0, window="hann", nperseg=256, noverlap=128, detrend=False,
                          return_onesided=False, scaling="density")
    order = np.argsort(f)
    out = {
        "source": f"scipy {scipy.__version__}, numpy {np.__version__}, python {platform.python_version()}",
        "script": "generate.py",
        "i0": [[x0, float(special.i0(x0))] for x0 in i0_at],
        "kaiser_beta": [[a, float(signal.kaiser_beta(a))] for a in attenuations],
        "kaiser": [{"len": n, "beta": b, "window": signal.windows.kaiser(n, b).tolist()} for n, b in windows],
        "firwin": firs,
        "remez": [
            remez_case(41, [0.0, 0.1, 0.15, 0.5], [1.0, 0.0], [1.0, 10.0]),
            remez_case(47, [0.0, 0.005, 0.0525, 0.0725, 0.115, 0.135, 0.1775, 0.1975, 0.24, 0.26, 0.3025, 0.3225,
                            0.365, 0.385, 0.4275, 0.4475, 0.49, 0.5],
                       [1.0] + [0.0] * 8, [1.0] + [20.0] * 8),
            remez_case(121, [0.0, 0.08, 0.1, 0.5], [1.0, 0.0], [1.0, 30.0]),
        ],
        "welch": {"rate_hz": 1000.0, "fft_len": 256, "samples": complex_list(x),
                  "frequency_hz": f[order].tolist(), "density_per_hz": pxx[order].tolist()},
    }
    with open("reference.json", "w", encoding="utf-8") as file:
        json.dump(out, file, indent=None)
        file.write("\n")


if __name__ == "__main__":
    main()
