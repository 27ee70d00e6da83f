"""The reference of the Python interface, from signatures and docstrings by griffe."""

from __future__ import annotations

import re
from pathlib import Path

import griffe

PUBLIC = {
    "Reading photos": (
        "api.load_reader",
        "api.read_photo",
        "api.read_many",
        "api.Readings",
        "reader.Reader",
        "decide.subject.Subject",
    ),
    "Measuring and judging apart": (
        "pipeline.measure_photo",
        "pipeline.judge",
        "pipeline.Measurement",
        "pipeline.Findings",
        "pipeline.Judgement",
    ),
    "What a reading holds": (
        "pipeline.Reading",
        "core.refusal.Refusal",
        "read.locate.CardPose",
        "read.sample.PatchSamples",
        "read.correct.ColourCorrection",
        "read.blot.BlotColour",
        "hb.estimate.HbEstimate",
        "decide.rule.Decision",
    ),
    "Words and JSON": (
        "result.asjson.reading_json",
        "result.astext.reading_text",
        "result.annotate.annotate",
    ),
    "Calibrations": (
        "hb.container.load_calibration",
        "hb.calibration.Calibration",
        "hb.calibrationnumbers.CalibrationNumbers",
    ),
}
"""What a researcher's own programs may build on, by the part of the page."""

HEAD = """\
# Reference of the Python interface

What other programs may build on; [api.md](api.md) shows it in use. Made from the code by
`python docs/build.py` with [griffe](https://mkdocstrings.github.io/griffe/); a test fails when the
code says something else. Names are below `cardreader`. Whatever is not here may change without
notice.
"""
_SECTION = re.compile(r"^(\w[\w ]*)\n-{3,}\n", re.MULTILINE)


def page() -> str:
    """The text of reference.md."""
    root = Path(__file__).resolve().parents[1]
    package = griffe.load("cardreader", search_paths=[root], try_relative_path=False)
    parts = [HEAD]
    for title, names in PUBLIC.items():
        parts.append(f"## {title}\n")
        parts += [_entry(package[name], name) for name in names]
    return "\n".join(parts).rstrip() + "\n"


def _entry(found: griffe.Object, name: str) -> str:
    lines = [f"### `{name}`\n", _docstring(found)]
    if isinstance(found, griffe.Function):
        lines.insert(1, _code(_signature(found)))
        return "\n".join(lines)
    shown = [m for m in found.members.values() if not m.name.startswith("_") and m.docstring]
    for member in shown:
        if isinstance(member, griffe.Function):
            lines.append(_code(_signature(member)) + "\n" + _docstring(member))
        elif isinstance(member, griffe.Attribute) and "property" in member.labels:
            lines.append(_code(f"{member.name}: {member.annotation}") + "\n" + _docstring(member))
    return "\n".join(lines)


def _signature(function: griffe.Function) -> str:
    """One line, or one a parameter where that would be too long."""
    text = function.signature()
    if len(text) <= 90:
        return text
    start, rest = text.split("(", 1)
    inside, end = rest.rsplit(")", 1)
    parameters = re.split(r", (?=[\w*]+(?:: | ?=|,|$))", inside)
    return f"{start}(\n" + "".join(f"    {p},\n" for p in parameters) + f"){end}"


def _code(text: str) -> str:
    return f"```python not-run\n{text}\n```\n"


def _docstring(found: griffe.Object) -> str:
    """Prose as it is; sections of names as text, so that their columns stay."""
    text = found.docstring.value if found.docstring else ""
    prose, *sections = _SECTION.split(text)
    out = [prose.strip() + "\n"]
    for title, body in zip(sections[::2], sections[1::2], strict=True):
        out.append(f"{title}:\n\n```text\n{body.strip()}\n```\n")
    return "\n".join(out)
