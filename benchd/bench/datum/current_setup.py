"""The set-up in force: changed whole or not at all; its chain is computed at once, recorded and published."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from benchd.arrangements.arrangement import OF_THE_WALL, Arrangement
from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import SETTABLE, TOLD, SetupDocument, apply, first_setup
from benchd.bench.datum.artefacts import means_something, plain_artefacts, unit_of_artefact
from benchd.bench.datum.beside_stated import BesideStated, beside_stated
from benchd.bench.datum.calibration import found_in, in_force
from benchd.bench.datum.chain import (
    CalibrationInForce,
    Chain,
    ScaleRecord,
    as_measured,
    datum_chain,
    position_u_um,
    with_chain,
)
from benchd.bench.datum.chain_terms import Temperature, temperature_told
from benchd.bench.datum.clearance import Clearance, Parts, check_clearance, clearance, parts_of
from benchd.bench.datum.wall_distance import carry_over
from benchd.bench.notices import Notices
from benchd.devices import Clock
from benchd.errors import Refused
from benchd.files.loading import LoadedBench
from benchd.files.records_folder import Records
from benchd.records.store import Store


def not_driven(rev: int) -> Refused:
    """The refusal of a request that relies on a stale position."""
    return Refused(
        "not_driven",
        "The carriage has not been driven since the set-up changed or it was homed.",
        advice="Go to nominal first.",
        data={"rev": rev},
    )


class CurrentSetup:
    """Holds set-up, chain and the calibrations in force; publishes every change as the kept document `setup`."""

    def __init__(
        self, loaded: LoadedBench, store: Store, notices: Notices, clock: Clock, scale: ScaleRecord | None
    ) -> None:
        self._loaded = loaded
        self._store = store
        self._notices = notices
        self._clock = clock
        self._stated_scale = scale
        self._calibrations: dict[str, CalibrationInForce] = {}
        self._adapters_since = 0
        """The revision from which on the adapters have been those of the set-up."""
        self.changing = asyncio.Lock()
        """Held by whatever changes the set-up or its records, so that each change begins from the last."""
        self.rear_confirmed_um: dict[Parts, float] = {}
        """Depth (um) down to which a person has confirmed rear clearance, by combination of parts."""
        self.document: SetupDocument = first_setup(loaded.file)
        self.chain: Chain = self._chain(self.document)

    async def load(self) -> None:
        """Load the last set-up of the record (its position is stale) and the calibrations in force."""
        await self._read_calibrations()
        last = await self._store.last_setup()
        if last is not None:
            self._adapters_since = await self._store.adapters_since(last.doc.get("adapters", ()))
            unused = set(OF_THE_WALL) - set(self.arrangement.goes_by)  # recorded under another arrangement
            changes = {key: value for key, value in last.doc.items() if key in SETTABLE and key not in unused}
            try:
                document = apply(self.document, changes, self._loaded.records, self._loaded.file)
                self._chain(document)
                told_by = {key: by for key, by in last.doc.get("told_by", {}).items() if key in TOLD}
                self.document = document.model_copy(update={"rev": last.rev, "told_by": told_by})
            except Refused:  # it cannot stand by the records as they are now: begin with the empty set-up
                self.document = self.document.model_copy(update={"rev": last.rev + 1})
        self.chain = self._chain(self.document)
        now = with_chain(self.document, self.chain).model_dump(mode="json")["chain"]
        if last is not None and now != list(last.chain):  # records were edited meanwhile, or calibrations ran out
            await self.rebuild_chain()
        self._publish()

    async def change(
        self, changes: Mapping[str, Any], rev: int | None = None, *, told_by: Mapping[str, str] | None = None
    ) -> SetupDocument:
        """Apply a change, record and publish it; `told_by` are the meters that tell its values, by key.

        Raises Refused; then nothing has changed.
        """
        async with self.changing:
            new, chain = self.preview(changes, rev)
            if told_by and new is not self.document:
                new = new.model_copy(update={"told_by": {**new.told_by, **told_by}})
                chain = self._chain(new)
            if new is not self.document:
                await self._adopt(with_chain(new, chain), chain)
            return self.document

    def preview(
        self,
        changes: Mapping[str, Any],
        rev: int | None = None,
        *,
        since: tuple[SetupDocument, Chain] | None = None,
    ) -> tuple[SetupDocument, Chain]:
        """The result of a change, without making it; from the set-up in force, or from a predicted one (`since`).

        Raises Refused.
        """
        records, (before, then) = self._loaded.records, since or (self.document, self.chain)
        new = apply(before, changes, records, self._loaded.file, rev=rev)
        new = carry_over(before, then, new, self._chain, changes, records)
        return new, self._chain(new)

    async def refresh(self) -> None:
        """Remove calibrations that have expired since the chain was computed; called before it is measured by."""
        before = self._calibrations
        await self._read_calibrations()
        if self._calibrations != before:
            await self.rebuild_chain()

    async def rebuild_chain(self) -> None:
        """A calibration came into force or expired: compute the chain anew and count up the set-up's revision."""
        async with self.changing:
            await self._read_calibrations()
            new = self.document.model_copy(update={"rev": self.document.rev + 1, "stale": True})
            chain = self._chain(new)
            await self._adopt(with_chain(new, chain), chain)

    def check_stands(self, records: Records) -> None:
        """Raise Refused where the set-up in force cannot stand with these records: one is gone, or they do not mate."""
        stated = {key: value for key, value in self.document.model_dump(mode="json").items() if key in SETTABLE}
        apply(first_setup(self._loaded.file), stated, records, self._loaded.file)
        self._chain(self.document, records)

    async def count_with(self, records: Records) -> None:
        """Records of what stands on the bench have changed: they and the chain come into force together.

        The set-up's revision counts up, the position is stale, and what a person has confirmed has to be confirmed
        again. With other shims the lens stands elsewhere: an m that marks on the wall told of it holds no more. Raises
        Refused as `check_stands`. Hold `changing`.
        """
        self.check_stands(records)
        before = self.document
        update: dict[str, Any] = {"rev": before.rev + 1, "stale": True, "mount": None}
        if before.lens is not None:
            now, then = records.lens(before.lens), self._loaded.records.lens(before.lens)
            update["mount"] = now.mount
            if before.m is not None and before.m.by and now.shims_fitted_um != then.shims_fitted_um:
                update["m"] = None
        new = before.model_copy(update=update)
        chain = self._chain(new, records)
        await self._adopt(with_chain(new, chain), chain, records)
        self.rear_confirmed_um.clear()

    def mark_driven(self) -> None:
        """The carriage has been driven by the present chain: its position is no longer stale."""
        self._set_stale(False)

    def mark_stale(self) -> None:
        """The position is stale until the carriage is driven again."""
        self._set_stale(True)

    def _set_stale(self, stale: bool) -> None:
        if self.document.stale is not stale:
            self.document = self.document.model_copy(update={"stale": stale})
            self._publish()

    def require_driven(self) -> None:
        """Raise Refused('not_driven') while the position is stale."""
        if self.document.stale:
            raise not_driven(self.document.rev)

    def clearance_of(self, document: SetupDocument) -> Clearance:
        """The least depth that a set-up allows, by its records or by a person's confirmation of its parts."""
        limit = clearance(self._loaded.file, self._loaded.records, document)
        if limit.question is None:
            return limit
        return replace(limit, least_depth_um=self.rear_confirmed_um.get(parts_of(document)))

    def check_depth(self, depth_um: float) -> None:
        """Raise Refused('clearance') for a depth that would bring target, glass and lens together."""
        check_clearance(self.clearance_of(self.document), depth_um)

    def confirm_rear(self, document: SetupDocument, depth_um: float) -> None:
        """A person has confirmed that lens, glass and target of this set-up stay clear down to `depth_um`."""
        self.rear_confirmed_um[parts_of(document)] = depth_um

    def drop_other_confirmations(self, document: SetupDocument | None = None) -> None:
        """Forget confirmations of other parts than those of this set-up, by default the one in force."""
        kept = parts_of(document or self.document)
        self.rear_confirmed_um = {parts: seen for parts, seen in self.rear_confirmed_um.items() if parts == kept}

    def calibration(self, artefact: str) -> CalibrationInForce | None:
        """The calibration of an artefact in force."""
        return self._calibrations.get(artefact)

    def beside_stated(self, finding: Mapping[str, Any]) -> list[BesideStated]:
        """How far what a finding calibrates lies from what is stated and in force, artefact by artefact."""
        found = found_in(finding, self.arrangement.calibrated_in)
        loaded = self._loaded
        return [beside_stated(loaded.file, loaded.records, self.document, self._calibrations, one) for one in found]

    def position_u_um(self, carriage_um: float) -> float | None:
        """The standard uncertainty of the position alone, there; None if its errors are not stated."""
        scale = self.scale
        return None if scale is None else position_u_um(scale, carriage_um, self.chain.zero_um)

    @property
    def scale(self) -> ScaleRecord | None:
        """The errors of the position, as measured where that is in force, else as stated; None if not stated."""
        return as_measured(self._stated_scale, self._calibrations)

    @property
    def temperature(self) -> Temperature:
        """The stated temperature of the room, and its source."""
        setup = self.document
        return temperature_told(self._loaded.file, setup)

    def check_in_chain(self, artefact: str, unit: str, finding: str) -> None:
        """Raise Refused for a calibration of an artefact that no chain of this bench uses ('unknown_name'), and for one
        in another unit than the chain's ('bad_request')."""
        own = self.arrangement.calibrated_in
        counted_in = unit_of_artefact(artefact, self._loaded.file, self._loaded.records, own)
        if counted_in is None:
            text = f"{finding} calibrates '{artefact}', which nothing on this bench counts with."
            known = plain_artefacts(self._loaded.file, self._loaded.records, own)
            raise Refused("unknown_name", text, advice=f"Known: {', '.join(known)}.")
        if unit != counted_in:
            text = f"{finding} gives '{artefact}' in {unit}, and the chain counts in {counted_in}."
            raise Refused("bad_request", text, advice=f"Its question has to state it in {counted_in}.")

    def knows(self, artefact: str) -> bool:
        """Whether it is something that may be calibrated."""
        return means_something(artefact, self._loaded.file, self._loaded.records, self.arrangement.calibrated_in)

    @property
    def calibrated_artefacts(self) -> tuple[str, ...]:
        """Artefacts with a calibration in force."""
        return tuple(name for name, one in self._calibrations.items() if not one.withdrawn)

    @property
    def arrangement(self) -> Arrangement:
        """The arrangement of the bench."""
        return arrangement_of(self._loaded.file)

    def _chain(self, document: SetupDocument, records: Records | None = None) -> Chain:
        known = self._loaded.records if records is None else records
        # Adapters that are others than those in force are fitted, or taken off, by the change.
        since = self._adapters_since if document.adapters == self.document.adapters else document.rev
        return datum_chain(
            self._loaded.file, known, document, self._calibrations, self._stated_scale, stand_since=since
        )

    async def _adopt(self, document: SetupDocument, chain: Chain, records: Records | None = None) -> None:
        self.drop_other_confirmations(document)  # parts that are fitted again later have to be confirmed again
        plain = document.model_dump(mode="json")
        keeping = asyncio.ensure_future(self._store.add_setup(document.rev, plain, plain["chain"]))
        try:
            await asyncio.shield(keeping)
        except asyncio.CancelledError:
            await asyncio.wait({keeping})  # the record writes it all the same: then it has to be in force as well
            if keeping.exception() is None:
                self._set_in_force(document, chain, records)
            raise
        self._set_in_force(document, chain, records)

    def _set_in_force(self, document: SetupDocument, chain: Chain, records: Records | None) -> None:
        if records is not None:
            self._loaded.records = records
        if document.adapters != self.document.adapters:
            self._adapters_since = document.rev
        self.document, self.chain = document, chain
        self._publish()

    async def _read_calibrations(self) -> None:
        found = await self._store.calibrations_in_force(self._clock.utc(), withdrawn=True)
        read: dict[str, CalibrationInForce] = {}
        for artefact, row in found.items():
            finding = None if row.finding is None else await self._store.finding(row.finding)
            calibration = in_force(row, finding, self.arrangement.calibrated_in)
            if calibration is not None:
                read[artefact] = calibration
        self._calibrations = read

    def _publish(self) -> None:
        document = with_chain(self.document, self.chain)
        self._notices.put("setup", document.model_dump(mode="json"))
