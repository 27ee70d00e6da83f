"""A researcher's first look at the reader, from one photo to limits of agreement.

    python docs/worked_example.py

Cells begin at ``# %%``, so that editors that know them run it as a notebook. It reads the
sample photos of this project, which are **synthetic**: what it prints says how the program
behaves, and nothing about real blood. A test runs it. Needs the ``study`` and ``batch`` extras.
"""

# %% What photos are read with: card lots, calibration and protocol as shipped.
from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from cardreader.api import load_reader
from cardreader.calibrate.agreement import bland_altman
from cardreader.calibrate.proportion import proportion
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.subject import Subject
from cardreader.pipeline import judge, measure_photo

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images" / "good"
reader = load_reader(today=date(2026, 11, 2))
print(f"calibration {reader.calibration.id}, {reader.calibration.basis}")

# %% Measuring and judging are apart: a photo is opened once, its findings are kept.
findings, truth = {}, {}
for path in sorted(SAMPLES.glob("*.jpg")):
    findings[path.stem] = measure_photo(path.read_bytes(), reader.lots).findings
    beside = path.with_suffix(".truth.json").read_text(encoding="utf-8")
    truth[path.stem] = json.loads(beside)["hb_g_dl"]

one = next(iter(findings.values())).measured
print("\nln(XYZ of blot / XYZ of paper):", np.round(one.log_ratio, 3))
print("standard uncertainty of each:  ", np.round(np.sqrt(np.diag(one.covariance)), 4))

# %% Judged: value, interval, and what the uncertainty is made of.
subject = Subject()
judged = {name: judge(found, reader, subject) for name, found in findings.items()}
table = pd.DataFrame(
    {
        "truth": pd.Series(truth),
        "hb": {n: j.estimate.hb_g_dl for n, j in judged.items() if j.estimate},
        "low": {n: j.estimate.interval_g_dl[0] for n, j in judged.items() if j.estimate},
        "high": {n: j.estimate.interval_g_dl[1] for n, j in judged.items() if j.estimate},
        "u photo": {n: j.estimate.sd_measurement_g_dl for n, j in judged.items() if j.estimate},
        "u calibration": {
            n: j.estimate.sd_calibration_g_dl for n, j in judged.items() if j.estimate
        },
        "u volume": {n: j.estimate.volume_floor_g_dl for n, j in judged.items() if j.estimate},
        "outcome": {n: str(j.decision.outcome) for n, j in judged.items()},
    }
).sort_values("truth")
print("\n" + table.round(2).to_string())

# %% Agreement with the truth: bias, limits of agreement (Bland and Altman 1986), coverage.
read = table.dropna()
agreement = bland_altman(read.hb, read.truth)
covered = proportion(int(((read.low <= read.truth) & (read.truth <= read.high)).sum()), len(read))
print(f"\nbias {agreement.bias:+.2f} g/dL, 95 % interval {np.round(agreement.bias_ci, 2)}")
print(f"limits of agreement {agreement.lower:+.2f} to {agreement.upper:+.2f} g/dL")
print(f"intervals that hold: {covered.count} of {covered.total}")

# %% The same photos under another protocol, for a woman at 2000 m: nothing is opened again.
other = replace(reader, protocol=load_protocol("who-2024"))
high = Subject(gestation_weeks=22, elevation_m=2000.0)
moved = {name: judge(found, other, high).decision for name, found in findings.items()}
changed = [name for name, d in moved.items() if d.outcome != judged[name].decision.outcome]
print(f"\nanother outcome under {other.protocol.id} at 2000 m: {', '.join(changed) or 'none'}")

# %% How the distribution turns into an outcome: chances below the limits of the protocol.
for name, found in list(judged.items())[:3]:
    if found.estimate is not None:
        below = [found.estimate.p_below(limit) for limit in (7.0, 11.0)]
        print(f"{name}: P(Hb < 7) = {below[0]:.3f}, P(Hb < 11) = {below[1]:.3f}")
