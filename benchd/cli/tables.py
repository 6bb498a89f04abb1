"""Findings, chain, budget and readings as tables of at most 100 columns; colour is never the only distinction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.constrain import Constrain
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from benchd.cli import own_words
from benchd.metrology.rounding import rounded
from benchd.questions.registry import wording_of
from benchd.questions.wording import Wording
from benchd.reports import numbers as say
from benchd.reports import words
from benchd.shown import in_one_line

Doc = Mapping[str, Any]

WIDTH = 100
SHARE_LETTERS = 10
LONGEST_TERM = 24
"""Letters of a line's name that leave room at 80 columns for where its figure comes from."""
LINE = "\u2500" * 8
_COLOURS = {"PASS": "bold green", "FAIL": "bold red", "UNDECIDED": "bold yellow"}


def finding(doc: Doc, chain: Sequence[Doc] | None = None) -> RenderableType:
    """A finding whole: result, verdict, what to do, notes; then chain (where given), budgets, readings."""
    wording = wording_of(doc)
    parts = _head(doc, wording)
    for name, table in (doc.get("tables") or {}).items():
        parts += [subheading(name.replace("_", " ").capitalize()), _of_finding(table)]
    if chain:
        parts += [subheading("Datum chain"), chain_table(chain)]
    for key, budget in doc["budgets"].items():
        of = f", {wording.named(key).name.lower()}" if len(doc["budgets"]) > 1 else ""
        parts += [subheading(f"Uncertainty budget{of}"), budget_table(budget, doc["values"][key])]
        if why := words.apart(budget, chain or ()):
            parts.append(Padding(Text(in_one_line(why), style="dim"), (0, 0, 0, 2)))
    parts += [Text(""), Text(in_one_line(origin(doc)), style="dim")]
    return Constrain(Group(*parts), WIDTH)


def _of_finding(table: Doc) -> Padding:
    """A table of the finding; numbers are right-aligned."""
    heads = [_head_of(column) for column in table["columns"]]
    numbers = [all(not isinstance(row[i], str) for row in table["rows"]) for i in range(len(heads))]
    columns = [(head, "right" if number else "left") for head, number in zip(heads, numbers, strict=True)]
    return plain(columns, [[_cell(cell) for cell in row] for row in table["rows"]])


def _head_of(column: Doc) -> str:
    name = say.unit(column.get("unit", "1"))
    return f"{column['name']} {name}".rstrip()


def _cell(cell: Any) -> str:
    return "" if cell is None else cell if isinstance(cell, str) else say.short(cell)


def finding_in_short(doc: Doc) -> RenderableType:
    """What a person acts on, on one screen; and where chain and budget are to be had."""
    parts = [*_head(doc, wording_of(doc)), Text("")]
    if doc["finding"]:
        parts.append(Text(f"Chain and budget: `benchd report {doc['finding']}`.", style="dim"))
    parts.append(Text(in_one_line(origin(doc)), style="dim"))
    return Constrain(Group(*parts), WIDTH)


def _head(doc: Doc, wording: type[Wording]) -> list[RenderableType]:
    parts: list[RenderableType] = [heading(title(doc), str(doc["at"])), result(doc, wording)]
    if doc["notes"]:
        parts += [subheading("Notes"), *(item(note) for note in doc["notes"])]
    return parts


def item(text: str) -> Table:
    """A line of a list, its further lines under its first word."""
    one = Table.grid(padding=(0, 1, 0, 0))
    one.add_column(width=3, justify="right")
    one.add_column()
    _add(one, "-", text)
    return one


def title(doc: Doc) -> str:
    """Which assessment, of what."""
    what = doc["measurand"].get("artefact") or doc["lens"]
    name = str(doc["assessment"]).replace("_", " ")
    return f"{name} of {what}" if what else name


def result(doc: Doc, wording: type[Wording]) -> Table:
    """What is judged with its verdict and the advice first, then the other values, a line each."""
    table = Table.grid(padding=(0, 2), pad_edge=False)
    table.add_column(style="dim", no_wrap=True, min_width=18)
    table.add_column()
    main = wording.main(doc) if wording.judges(doc) else None
    if main is not None:
        _value(table, doc, main, wording)
        if sentence := own_words.sentence(doc):
            _add(table, "", sentence)
        word, why = words.verdict(doc, wording.named(main).name)
        table.add_row("Verdict", Text.assemble((word, _COLOURS.get(word, "bold")), f"   {in_one_line(why)}"))
    for name, sentence in (("To decide it", words.next_step(doc)), *own_words.advice(doc)):
        if sentence:
            _add(table, name, sentence)
    for key in doc["values"]:
        if key != main:
            _value(table, doc, key, wording)
    if main is None and (sentence := own_words.sentence(doc)):
        _add(table, "", sentence)
    _add(table, "Measured", words.measured(doc))
    return table


def _value(table: Table, doc: Doc, key: str, wording: type[Wording]) -> None:
    value = doc["values"][key]
    shown = Text(in_one_line(wording.interval(doc, key)), style="bold" if value.get("U") is not None else "")
    sure = say.how_sure(value)
    if sure:
        shown.append(f"   {sure}", style="dim not bold")
    table.add_row(in_one_line(wording.named(key).name), shown)


def origin(doc: Doc) -> str:
    """Where the finding comes from."""
    parts = [f"Finding {doc['finding']}" if doc["finding"] else "Not in the record", f"run {doc['run']}"]
    if doc["readings"] is not None:
        first, last = doc["readings"]["indices"]
        parts.append(f"readings {first} to {last}")
    parts.append(f"set-up {doc['setup']}")
    if doc["calibrations"]:
        parts.append("calibrations " + ", ".join(doc["calibrations"]))
    parts.append(f"benchd {doc['version']}")
    return "; ".join(parts) + "."


def chain_table(chain: Sequence[Doc]) -> Padding:
    """The datum chain term by term; its last line, the carriage, is set below a rule as the sum."""
    table = _table(("term", "left"), ("\u00b5m", "right"), ("u", "right"), ("dof", "right"), ("from", "left"))
    for term in chain:
        total = term["term"] == "carriage"
        if total:
            _add(table, "", LINE, LINE[:4])
        # The sum has degrees of freedom only as a finding states them.
        known = bool(term["u_um"]) and not total
        _add(
            table,
            str(term["term"]).replace("_", " "),
            say.number(term["value_um"], 1, sign=not total),
            "" if term["u_um"] is None else say.significant(term["u_um"]),
            say.dof(term["dof"]) if known else "",
            _source(term),
            style="bold" if total else "",
        )
    return Padding(table, (0, 0, 0, 2))


def _source(term: Doc) -> str:
    shape = term.get("shape", "normal")
    return str(term["source"]) if shape == "normal" else f"{term['source']} ({shape})"


def budget_table(budget: Sequence[Doc], of: Doc) -> Padding:
    """The lines of a value's budget, largest first, each with its share of the variance; the combined u last."""
    lines = sorted(budget, key=lambda line: -line["u"])
    variance = sum(line["u"] ** 2 for line in lines)
    columns = (("term", "left"), ("u", "right"), ("share", "right"), ("", "left"), ("type", "left"), ("dof", "right"))
    table = _table(*columns, ("from", "left"))
    short = max((len(line["term"]) for line in lines), default=0) <= LONGEST_TERM
    table.columns[0].no_wrap, table.columns[3].no_wrap, table.columns[-1].min_width = short, True, 14
    for line in lines:
        share = line["u"] ** 2 / variance if variance else 0.0
        bar = "\u2501" * round(share * (SHARE_LETTERS if short else SHARE_LETTERS // 2))
        _add(
            table,
            str(line["term"]).replace("_", " "), say.significant(line["u"]), _percent(share), bar,
            line["type"], say.dof(line["dof"]), _source(line),
        )  # fmt: skip
    if of.get("U") is not None:
        _add(table, "", LINE[:4])
        how = f"k = {of['k']:.2f}: U = {say.significant(of['U'])} {say.unit(of['unit'])}"
        _add(table, "combined", say.significant(of["u"]), "", "", "", say.dof(of["dof"]), how, style="bold")
    return Padding(table, (0, 0, 0, 2))


def readings(rows: Sequence[Doc]) -> RenderableType:
    """Readings in the order taken, a line a station: its channels beside each other."""
    columns = (("index", "right"), ("offset \u00b5m", "right"), ("carriage \u00b5m", "right"), ("readings", "left"))
    stations: dict[int, list[Doc]] = {}
    for row in rows:
        stations.setdefault(int(row["idx"]), []).append(row)
    lines = []
    for idx, channels in stations.items():
        first = channels[0]
        offset = "" if first["offset_um"] is None else say.number(first["offset_um"], 1, sign=True)
        place = "" if first["carriage_um"] is None else say.number(first["carriage_um"], 1)
        lines.append((str(idx), offset, place, "   ".join(_reading(row) for row in channels)))
    return plain(columns, lines) if lines else Text("  none")


def _reading(row: Doc) -> str:
    if row["value"] is None:
        return f"{row['channel']} none ({row['quality']})"
    quality = "" if row["quality"] == "good" else f" ({row['quality']})"
    return f"{row['channel']} {say.reading(row['value'], row['unit'], row['u'])}{quality}"


def findings(docs: Sequence[Doc]) -> RenderableType:
    """Findings in short, a line each."""
    columns = (("finding", "left"), ("what", "left"), ("value", "left"), ("verdict", "left"), ("run", "left"))
    lines = []
    for doc in docs:
        wording = wording_of(doc)
        main = wording.main(doc)
        value = "" if main is None else wording.interval(doc, main)
        word = words.verdict(doc)[0] if wording.judges(doc) else ""
        lines.append((f"{doc['finding']}  {doc['at']}", title(doc), value, word, doc["run"]))
    return plain(columns, lines) if lines else Text("  none")


def calibrations(docs: Sequence[Doc]) -> RenderableType:
    """Calibrations, a line each."""
    columns = (("id", "left"), ("of", "left"), ("value", "left"), ("dof", "right"), ("until", "left"), ("from", "left"))
    lines = []
    for doc in docs:
        if doc["value"] is None:
            why = f": {doc['why']}" if doc.get("why") else ""
            lines.append((doc["calibration"], doc["artefact"], "withdrawn", "", "", f"{doc['by']}{why}"))
            continue
        length, u = rounded(doc["value"], doc["u"])
        value = f"{length} {say.unit(doc['unit'])} at {doc['at_C'] or 20.0:g} \u00b0C, u = {u}"
        until = str(doc["valid_until"] or "without end")[:11].rstrip("T")
        lines.append(
            (doc["calibration"], doc["artefact"], value, say.dof(doc["dof"]), until, f"{doc['finding']} by {doc['by']}")
        )
    return plain(columns, lines)


def _percent(share: float) -> str:
    return "< 1 %" if 0.0 < share < 0.005 else f"{100.0 * share:.0f} %"


def pairs(rows: Iterable[tuple[str, RenderableType]]) -> Table:
    """Names on the left, what they are on the right."""
    table = Table.grid(padding=(0, 2), pad_edge=False)
    table.add_column(style="dim", no_wrap=True, min_width=18)
    table.add_column()
    for name, what in rows:
        _add(table, name, what)
    return table


def plain(columns: Sequence[tuple[str, str]], rows: Iterable[Sequence[str]]) -> Padding:
    """A table with a head; each column with its side, `left` or `right`."""
    table = _table(*columns)
    for row in rows:
        _add(table, *row)
    return Padding(table, (0, 0, 0, 2))


def heading(text: str, aside: str = "") -> Group:
    """A title in capitals over a line, an aside at its right end."""
    line = Table.grid(expand=True)
    line.add_column(no_wrap=True)
    line.add_column(justify="right", style="dim")
    title = in_one_line(text[:1].upper() + text[1:].replace("_", " "))
    line.add_row(Text(title, style="bold"), Text(in_one_line(aside)))
    return Group(Text(""), line, Rule(characters="\u2500", style="dim"))


def subheading(text: str) -> Group:
    """A smaller title."""
    return Group(Text(""), Text(text, style="bold"))


def _table(*columns: tuple[str, Any]) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="dim", show_edge=False)
    for name, side in columns:
        table.add_column(name, justify=side, no_wrap=side == "right")
    return table


def _add(table: Table, *cells: RenderableType, style: str = "") -> None:
    """Add a row; text is never interpreted as markup."""
    table.add_row(*(Text(in_one_line(cell)) if isinstance(cell, str) else cell for cell in cells), style=style)
