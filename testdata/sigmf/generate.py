"""Makes the SigMF files beside it with the Python package `sigmf`.

    python3 -m venv venv && venv/bin/pip install sigmf==1.14.0 numpy && venv/bin/python generate.py

They check the reader against files that it did not write itself. Sample k has the components (k, -k) for integers
and (k / 64, -k / 64) for floats; second channels count down from -1 in the same way.
"""

from pathlib import Path

import numpy as np
from sigmf import SigMFFile

HERE = Path(__file__).parent
COUNT = 100


def write(name, datatype, data, extra=None, captures=None, annotations=None, archive=False):
    data_path = HERE / f"{name}.sigmf-data"
    data.tofile(data_path)
    meta = SigMFFile(
        data_file=data_path,
        global_info={
            "core:datatype": datatype,
            "core:sample_rate": 48000,
            "core:version": "1.2.6",
            "core:author": "generate.py",
            "core:description": "cross-check of the SigMF reader",
            "core:hw": "none",
            "core:license": "https://spdx.org/licenses/CC0-1.0.html",
            **(extra or {}),
        },
    )
    for start, fields in captures or [(0, {"core:frequency": 144500000})]:
        meta.add_capture(start, metadata=fields)
    for start, length, fields in annotations or []:
        meta.add_annotation(start, length, metadata=fields)
    if archive:
        path = HERE / f"{name}.sigmf"
        path.unlink(missing_ok=True)
        meta.archive(path)
        data_path.unlink()
    else:
        meta.tofile(HERE / f"{name}.sigmf-meta", overwrite=True)


def ramp(dtype, scale=1):
    k = np.arange(COUNT)
    return (np.stack([k, -k], axis=1) / scale).astype(dtype)


def main():
    write(
        "py_cf32_le",
        "cf32_le",
        ramp("<f4", 64),
        captures=[
            (
                0,
                {
                    "core:frequency": 144500000,
                    "core:datetime": "2026-02-14T03:25:00.250Z",
                    "core:geolocation": {"type": "Point", "coordinates": [174.78, -41.29, 120.0]},
                },
            )
        ],
        annotations=[
            (10, 20, {"core:label": "one", "core:freq_lower_edge": 144499000, "core:freq_upper_edge": 144501000}),
            (60, 40, {"core:label": "two", "core:comment": "to the end"}),
        ],
    )
    write(
        "py_ci16_be_captures",
        "ci16_be",
        ramp(">i2"),
        extra={"core:extensions": [{"name": "spatial", "version": "1.1.0", "optional": True}],
               "spatial:num_elements": 1, "spatial:channel_index": 0},
        captures=[
            (0, {"core:frequency": 144500000, "core:global_index": 1000, "spatial:aperture_azimuth": 10.0}),
            (25, {"core:frequency": 144500000, "core:global_index": 1025, "spatial:aperture_azimuth": 20.0}),
            (50, {"core:frequency": 144500000, "core:global_index": 1550, "spatial:aperture_azimuth": 30.0}),
            (75, {"core:frequency": 145500000, "core:global_index": 1575, "spatial:aperture_azimuth": 350.0}),
        ],
        annotations=[(80, 5, {"spatial:signal_azimuth": 15.0})],
    )
    two = np.stack([ramp("i1"), -1 - ramp("i1")], axis=1)
    write("py_ci8_two_channels", "ci8", two, extra={"core:num_channels": 2})
    write("py_archive", "ci16_le", ramp("<i2"), archive=True)


if __name__ == "__main__":
    main()
