"""The set-up in force: changed whole or not at all, its chain worked out at once, kept and published."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from benchd.arrangements.arrangement import OF_THE_WALL, Arrangement
from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import SETTABLE, SetupDocument, apply, first_setup
from benchd.bench.datum.calibrations import in_force
from benchd.bench.datum.chain import (
    JOINT,
    CalibrationInForce,
    Chain,
    ScaleRecord,
    datum_chain,
    position_u_um,
    with_chain,
)
from benchd.bench.datum.chain_terms import Temperature, temperature_of
from benchd.bench.datum.clearance import Clearance, Parts, check_clearance, clearance, parts_of
from benchd.bench.datum.position_terms import zero_at_um
from benchd.bench.datum.wall_distance import carried_over
from benchd.bench.notices import Notices
from benchd.devices import Clock
from benchd.errors import Refused
from benchd.files.loading import LoadedBench
from benchd.records.store import Store


def not_driven(rev: int) -> Refused:
    """What is said to whoever relies on a place that means nothing until the carriage is driven again."""
    return Refused(
        "not_driven",
        "The carriage has not been driven since the set-up changed or it was homed.",
        advice="Go to nominal first.",
        data={"rev": rev},
    )


class CurrentSetup:
    """Holds set-up, chain and the calibrations in force; tells every change as the kept document `setup`."""

    def __init__(
        self, loaded: LoadedBench, store: Store, notices: Notices, clock: Clock, scale: ScaleRecord | None
    ) -> None:
        self._loaded = loaded
        self._store = store
        self._notices = notices
        self._clock = clock
        self._scale = scale
        self._calibrations: dict[str, CalibrationInForce] = {}
        self.rear_seen: dict[Parts, float] = {}
        """What a person has made sure of: down to which depth (um) parts that stand, or are about to, stay clear."""
        self.document: SetupDocument = first_setup(loaded.file)
        self.chain: Chain = self._chain(self.document)

    async def load(self) -> None:
        """Take up the last set-up of the record (its position is stale) and the calibrations in force."""
        await self._read_calibrations()
        last = await self._store.last_setup()
        if last is not None:
            nobodys = set(OF_THE_WALL) - set(self.arrangement.goes_by)  # kept before the bench was arranged otherwise
            changes = {key: value for key, value in last.doc.items() if key in SETTABLE and key not in nobodys}
            try:
                document = apply(self.document, changes, self._loaded.records, self._loaded.file)
                self.document = document.model_copy(update={"rev": last.rev})
            except Refused:  # a record has gone since; the empty set-up is the honest one
                self.document = self.document.model_copy(update={"rev": last.rev + 1})
        self.chain = self._chain(self.document)
        self._tell()

    async def change(self, changes: Mapping[str, Any], rev: int | None = None) -> SetupDocument:
        """Apply a change, keep and publish it. Raises Refused; then nothing has changed."""
        new, chain = self.preview(changes, rev)
        if new is self.document:
            return new
        await self._take(with_chain(new, chain), chain)
        return self.document

    def preview(
        self,
        changes: Mapping[str, Any],
        rev: int | None = None,
        *,
        since: tuple[SetupDocument, Chain] | None = None,
    ) -> tuple[SetupDocument, Chain]:
        """What a change would come to, without making it; of the set-up in force, or of one that would be by then.

        Raises Refused.
        """
        records, (before, then) = self._loaded.records, since or (self.document, self.chain)
        new = apply(before, changes, records, self._loaded.file, rev=rev)
        new = carried_over(before, then, new, self._chain, changes, records)
        if new.lens is not None:
            records.require_unchanged("lens", new.lens)
        for adapter in new.adapters:
            records.require_unchanged("adapter", adapter)
        for glass in new.glass:
            records.require_unchanged("glass", glass)
        return new, self._chain(new)

    async def refresh(self) -> None:
        """Take out of the chain what has expired since it was worked out; asked before anything is measured by it."""
        before = self._calibrations
        await self._read_calibrations()
        if self._calibrations != before:
            await self.calibrated()

    async def calibrated(self) -> None:
        """A calibration came into force or went: the chain is another one, and so is the set-up's revision."""
        await self._read_calibrations()
        new = self.document.model_copy(update={"rev": self.document.rev + 1, "stale": True})
        chain = self._chain(new)
        await self._take(with_chain(new, chain), chain)

    def mark_driven(self) -> None:
        """The carriage has been driven by the chain as it is now."""
        self._stale(False)

    def mark_stale(self) -> None:
        """The position means nothing until it is driven again."""
        self._stale(True)

    def _stale(self, stale: bool) -> None:
        if self.document.stale is not stale:
            self.document = self.document.model_copy(update={"stale": stale})
            self._tell()

    def require_driven(self) -> None:
        """Raise Refused('not_driven') while the position is stale."""
        if self.document.stale:
            raise not_driven(self.document.rev)

    def clearance_of(self, document: SetupDocument) -> Clearance:
        """The least depth a set-up allows, by its records or by what a person has seen of these parts."""
        limit = clearance(self._loaded.file, self._loaded.records, document)
        if limit.question is None:
            return limit
        return replace(limit, least_depth_um=self.rear_seen.get(parts_of(document)))

    def check_depth(self, depth_um: float) -> None:
        """Raise Refused('clearance') for a depth that would bring target, glass and lens together."""
        check_clearance(self.clearance_of(self.document), depth_um)

    def confirm_rear(self, document: SetupDocument, depth_um: float) -> None:
        """A person has made sure that lens, glass and target of a set-up, or of one about to be, stay clear so far."""
        self.rear_seen[parts_of(document)] = depth_um

    def keep_seen(self, document: SetupDocument | None = None) -> None:
        """Forget what was seen of other parts than these, or than those that stand: nobody looks at them any more."""
        kept = parts_of(document or self.document)
        self.rear_seen = {parts: seen for parts, seen in self.rear_seen.items() if parts == kept}

    def calibration(self, artefact: str) -> CalibrationInForce | None:
        """The calibration of an artefact in force."""
        return self._calibrations.get(artefact)

    def position_u_um(self, carriage_um: float) -> float | None:
        """The position's own standard uncertainty at a place; None where nothing is stated of it."""
        if self._scale is None:
            return None
        zero_um = self.chain.places.zero_um(zero_at_um(self._loaded.file, self._calibrations))
        return position_u_um(self._scale, carriage_um, zero_um)

    @property
    def temperature(self) -> Temperature:
        """The room's, as it is stated, and by whom."""
        setup = self.document
        return temperature_of(setup.temperature_C, self._loaded.file.set_up.u_temperature_K, setup.rev)

    def check_counts_with(self, artefact: str, unit: str, finding: str) -> None:
        """Raise Refused for a calibration of what no chain of this bench has a term for ('unknown_name'), and for one
        in another unit than the chain's ('bad_request')."""
        known = (self._loaded.file.base.calibration, *self._loaded.records.adapters, JOINT)
        if artefact not in known:
            text = f"{finding} calibrates '{artefact}', which nothing on this bench counts with."
            raise Refused("unknown_name", text, advice=f"Known: {', '.join(known)}.")
        if unit != "um":
            text = f"{finding} gives '{artefact}' in {unit}, and the chain counts in um."
            raise Refused("bad_request", text, advice="Its question has to state it in um.")

    @property
    def calibrated_artefacts(self) -> tuple[str, ...]:
        """What has a calibration in force."""
        return tuple(self._calibrations)

    @property
    def arrangement(self) -> Arrangement:
        """What stands where on the bench."""
        return arrangement_of(self._loaded.file)

    def _chain(self, document: SetupDocument) -> Chain:
        return datum_chain(self._loaded.file, self._loaded.records, document, self._calibrations, self._scale)

    async def _take(self, document: SetupDocument, chain: Chain) -> None:
        self.keep_seen(document)  # the same parts put in again later are not what somebody looked at
        plain = document.model_dump(mode="json")
        keeping = asyncio.ensure_future(self._store.add_setup(document.rev, plain, plain["chain"]))
        try:
            await asyncio.shield(keeping)
        except asyncio.CancelledError:
            await asyncio.wait({keeping})  # what was handed to the record stands there: then it is in force as well
            if keeping.exception() is None:
                self._put(document, chain)
            raise
        self._put(document, chain)

    def _put(self, document: SetupDocument, chain: Chain) -> None:
        self.document, self.chain = document, chain
        self._tell()

    async def _read_calibrations(self) -> None:
        found = await self._store.calibrations_in_force(self._clock.utc())
        read: dict[str, CalibrationInForce] = {}
        for artefact, row in found.items():
            stands = in_force(row, None if row.finding is None else await self._store.finding(row.finding))
            if stands is not None:
                read[artefact] = stands
        self._calibrations = read

    def _tell(self) -> None:
        document = with_chain(self.document, self.chain)
        self._notices.put("setup", document.model_dump(mode="json"))
