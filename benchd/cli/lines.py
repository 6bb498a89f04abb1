"""Messages of the bench as single lines for a person."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from benchd.reports import numbers as say
from benchd.reports import words
from benchd.shown import in_one_line

Doc = Mapping[str, Any]


def line(topic: str, doc: Any) -> str:
    """Any message in one line: the topic, then its main content."""
    return in_one_line(f"{topic:<20} {_said(topic, doc)}")


def _said(topic: str, doc: Any) -> str:
    if doc is None:
        return "cleared"
    if not isinstance(doc, Mapping):
        return str(doc)
    kind = topic.partition("/")[0]
    form = _CARRIAGE if topic == "device/carriage" else _FORMS.get(kind, _rest)
    return form(doc)


def event(doc: Doc) -> str:
    """An event: when, what, what to do."""
    severity = "" if doc.get("severity") == "info" else f"{str(doc.get('severity')).upper()} "
    advice = f" {doc['advice']}" if doc.get("advice") else ""
    return in_one_line(f"{clock(doc.get('t'))} {severity}{doc.get('text')}{advice} ({doc.get('code')})")


def clock(t: Any) -> str:
    """The time of day of an RFC 3339 time, in the local time zone."""
    try:
        return datetime.fromisoformat(str(t)).astimezone().strftime("%H:%M:%S")
    except ValueError:
        return "--:--:--"


def carriage(doc: Doc) -> str:
    """The carriage position and whether it is trusted."""
    places = [
        f"{name} {say.number(doc[key], 1, sign=key == 'offset_um')} \u00b5m"
        for name, key in (("carriage", "carriage_um"), ("depth", "depth_um"), ("offset", "offset_um"))
        if doc.get(key) is not None
    ]
    why = str(doc.get("why") or "no reason told").removeprefix("not homed ")
    trust = "homed" if doc.get("homed") else f"NOT HOMED ({why})"
    stale = ", STALE: drive to nominal" if doc.get("stale") and doc.get("homed") else ""
    fault = f": {doc['text']}" if doc.get("text") else ""
    return f"{doc.get('state')}{fault}, {', '.join([*places, trust])}{stale}"


def device(doc: Doc) -> str:
    """The state of any other device, with its reading or level."""
    parts = [str(doc.get("state"))]
    if doc.get("pressed") is not None:
        parts.append("PRESSED" if doc["pressed"] else "released")
        if doc.get("latched"):
            parts.append(f"LATCHED since {clock(doc.get('since'))}")
    if doc.get("level") is not None:
        parts.append(f"level {say.short(doc['level'])}")
    if doc.get("value") is not None:
        quality = "" if doc.get("quality") == "good" else f" ({doc.get('quality')})"
        parts.append(f"reads {say.reading(doc['value'], str(doc.get('unit')))}{quality}")
    if doc.get("text"):
        parts.append(str(doc["text"]))
    return ", ".join(parts)


def procedure(doc: Doc) -> str:
    """Progress of the run, and its open question."""
    if doc.get("run") is None and doc.get("state") == "idle":
        return "idle"
    eta = "" if doc.get("eta_s") is None else f", {doc['eta_s']:.0f} s to go"
    ask = doc.get("ask")
    asked = f"; asks {ask['ask']}: {ask['text']}" if ask else ""
    run = f"{doc['run']} " if doc.get("run") else ""
    progress = f"step {doc.get('step')} of {doc.get('of')}, {100 * float(doc.get('progress') or 0):.0f} %{eta}"
    return f"{run}{doc.get('procedure')} {doc.get('state')}, {progress}{asked}"


def reading(doc: Doc) -> str:
    """One reading of a run."""
    place = "" if doc.get("offset_um") is None else f"offset {say.number(doc['offset_um'], 1, sign=True)} \u00b5m: "
    value = "nothing" if doc.get("value") is None else say.reading(doc["value"], str(doc.get("unit")), doc.get("u"))
    name = f"{doc.get('run')} {doc.get('idx')} {doc.get('device')} {doc.get('channel')}"
    return f"{name} {place}{value}"


def finding(doc: Doc) -> str:
    """A finding in short: its main value and its verdict."""
    from benchd.questions.registry import wording_of

    wording = wording_of(doc)
    found = wording.main(doc)
    about = doc["measurand"].get("artefact") or doc["lens"] or ""
    main = "" if found is None else f"{wording.named(found).name.lower()} {wording.interval(doc, found)}"
    word = f", {words.verdict(doc)[0]}" if wording.judges(doc) else ""
    return f"{doc.get('finding')} {about}: {main}{word}"


def setup(doc: Doc) -> str:
    """The set-up in one line."""
    parts = [f"revision {doc['rev']}"]
    for key in ("lens", "adapters", "glass", "ring", "distance_mm", "trim_um"):
        value = doc.get(key)
        if value not in (None, [], 0.0):
            parts.append(f"{name_of(key)} {plain(value, key)}")
    return ", ".join(parts)


def plain(value: Any, key: str = "") -> str:
    """A value of a document as a person writes it; its unit from the key's end."""
    if value is None or value == []:
        return "none"
    if isinstance(value, list):
        return " + ".join(plain(item) for item in value)
    if isinstance(value, Mapping):
        value = {name: item for name, item in value.items() if item is not None}
        if set(value) == {"value", "u"}:
            sure = value["u"] == 0
            return plain(value["value"], key) if sure else say.with_u(value["value"], value["u"], _unit_of(key))
        return ", ".join(f"{name} {plain(item)}" for name, item in value.items())
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{say.short(value)} {_unit_of(key)}".rstrip()
    return {True: "yes", False: "no"}.get(value, str(value))


def name_of(key: str) -> str:
    """A key without the unit at its end, in words."""
    end = next((end for end in _UNITS if key.endswith(end)), "")
    return key.removesuffix(end).replace("_", " ")


_UNITS = {"_mm": "mm", "_um": "\u00b5m", "_nm": "nm", "_C": "\u00b0C", "_s": "s"}


def _unit_of(key: str) -> str:
    return next((word for end, word in _UNITS.items() if key.endswith(end)), "")


def _control(doc: Doc) -> str:
    return f"held by {doc['holder']}" if doc.get("holder") else "held by nobody"


def _about(doc: Doc) -> str:
    return f"benchd {doc.get('version')}, {doc.get('arrangement')}, procedures {', '.join(doc.get('procedures', {}))}"


def _beat(doc: Doc) -> str:
    return str(doc.get("beat"))


def _rest(doc: Doc) -> str:
    return ", ".join(f"{name_of(key)} {plain(value, key)}" for key, value in doc.items())


_CARRIAGE = carriage
_FORMS: Mapping[str, Callable[[Doc], str]] = {
    "event": event,
    "device": device,
    "procedure": procedure,
    "reading": reading,
    "finding": finding,
    "setup": setup,
    "control": _control,
    "about": _about,
    "beat": _beat,
}
