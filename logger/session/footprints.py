"""Raw scans of a session's strikes -> footprints: what the strip knows of lie and place.

Boards that send whole scans only. Nothing of it is stored: it is worked out from the raw records
whenever it is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from analysis.conventions import FloatArray, Hand
from analysis.footprint import AimPrior, FootprintFits, SolePrior, StripSpec, fit_footprints
from analysis.scans import ScanOrder, Strip, rest_levels, sample_offsets_us
from logger.clubs import ClubSpec
from logger.decoding import record_from_raw
from logger.records import Flag, Hello, Strike
from logger.session.board_evening import (
    EveningsInForce,
    evenings_of,
    fits_board,
    gain_table,
    shared_doubt,
)
from logger.store.rows import SessionRow, StrikeRow
from logger.store.store import Store

# A sole is measured with a rule from end to end, ground-off parts included; one that was not
# measured is a middle iron's. Common practice, no source.
_USUAL_SOLE_MM = (78.0, 3.0)
_MEASURED_SOLE_U_MM = 1.5
# A cell's noise of less than this is rounding, which the fit adds by itself.
_LEAST_NOISE_COUNTS = 0.5
# Scans kept about the heaviest one: more say nothing of the peak and cost time.
_SCANS = 16


@dataclass(frozen=True, slots=True)
class Footprints:
    """Fits of a session's strikes, one per row."""

    strikes: tuple[StrikeRow, ...]
    fits: FootprintFits


@dataclass(frozen=True, slots=True)
class _Gains:
    """Of the cells of one row: as made, or as an evening found them."""

    gain: FloatArray | float = 1.0
    shared_u: float = 0.0


class FootprintReader:
    """Reads and fits a session's strikes, and remembers what it has read and decoded.

    For one session; a strike's record never changes, so what was read stays good. Only what is a
    strike is decoded: a board sends waggles and resting heads as well.
    """

    def __init__(self, store: Store, session: SessionRow) -> None:
        self._store = store
        self._session = session
        self._raw: dict[tuple[int, int], tuple[bytes, ...]] = {}
        self._scans: dict[tuple[int, int], Strike] = {}
        self._read_below: dict[int, int] = {}
        self._hellos: dict[int, Hello | None] = {}

    def fit(
        self,
        contacts: Sequence[StrikeRow],
        soles: Mapping[int, tuple[float, float]],
        specs: Mapping[int, ClubSpec],
    ) -> Footprints | None:
        """Fit every contact that has scans; None if none has.

        Parameters
        ----------
        contacts
            Strikes of this session, each under a club.
        soles
            Camber and its standard uncertainty by club, mm.
        specs
            What is known of each club.
        """
        found: list[Footprints] = []
        for boot in sorted({c.boot for c in contacts if c.boot is not None}):
            hello = self._hello(boot)
            if hello is None:
                continue
            own = [c for c in contacts if c.boot == boot and c.club is not None]
            scans = [self._strike(boot, c.first_sequence) for c in own]
            pairs = [(c, s) for c, s in zip(own, scans, strict=True) if s is not None]
            evenings = evenings_of(self._store, boot)
            for gains, group in _by_gains(hello, pairs, evenings):
                found.append(self._fit_boot(hello, group, soles, specs, gains))
        return _joined(found) if found else None

    def _fit_boot(
        self,
        hello: Hello,
        pairs: Sequence[tuple[StrikeRow, Strike]],
        soles: Mapping[int, tuple[float, float]],
        specs: Mapping[int, ClubSpec],
        gains: _Gains,
    ) -> Footprints:
        strikes = tuple(contact for contact, _ in pairs)
        counts = np.full((len(pairs), _SCANS, hello.cells), np.nan)
        times = np.full(counts.shape, np.nan)
        offsets_us = sample_offsets_us(_strip_of(hello), hello.rows, hello.cells)
        rests = np.zeros((len(pairs), 1, hello.cells))
        noises = []
        for index, (_, strike) in enumerate(pairs):
            raw = strike.counts.astype(np.float64)
            rest, noise, _ = rest_levels(raw, late_start=Flag.LATE_START in strike.flags)
            noises.append(noise)
            row, window = _heaviest(raw - rest)
            kept = window.stop - window.start
            counts[index, :kept] = raw[window, row]
            rests[index, 0] = rest[row]
            since = (strike.scan_ticks[window] - strike.scan_ticks[0]).astype(np.uint32)
            times[index, :kept] = since[:, None] / hello.tick_hz * 1e6 + offsets_us[row]
        clubs = [contact.club for contact in strikes if contact.club is not None]
        camber = np.array([soles[club] for club in clubs])
        length = np.array([_sole_length(specs[club]) for club in clubs])
        fits = fit_footprints(
            counts,
            times,
            StripSpec(
                pitch_mm=hello.pitch_um / 1000,
                cells=hello.cells,
                full_scale_counts=hello.full_scale,
                gain=gains.gain,
                gain_shared_u=gains.shared_u,
                offset_u_counts=max(float(np.median(noises)), _LEAST_NOISE_COUNTS),
            ),
            SolePrior(camber[:, 0], camber[:, 1], length[:, 0], length[:, 1]),
            AimPrior(
                sole_middle_mm=self._session.sole_middle_mm,
                offset_u_mm=self._session.sole_middle_u_mm,
            ),
            hand=Hand(self._session.hand),
            rest_counts=rests,
        )
        return Footprints(strikes, fits)

    def _hello(self, boot: int) -> Hello | None:
        if boot not in self._hellos:
            self._hellos[boot] = self._store.hello_of(boot)
        return self._hellos[boot]

    def _strike(self, boot: int, sequence: int | None) -> Strike | None:
        if sequence is None:
            return None
        key = (boot, sequence)
        if key not in self._scans:
            if sequence >= self._read_below.get(boot, 0):
                self._read_on(boot)
            if key not in self._raw:
                return None
            record = record_from_raw(self._raw.pop(key))
            assert isinstance(record, Strike)
            self._scans[key] = record
        return self._scans[key]

    def _read_on(self, boot: int) -> None:
        start = self._read_below.get(boot, 0)
        for stored in self._store.records_of(
            boot=boot, session=self._session.id, from_sequence=start
        ):
            self._read_below[boot] = stored.sequence + 1
            if stored.kind == "strike":
                self._raw[boot, stored.sequence] = stored.raw


def _by_gains(
    hello: Hello, pairs: Sequence[tuple[StrikeRow, Strike]], evenings: EveningsInForce
) -> list[tuple[_Gains, list[tuple[StrikeRow, Strike]]]]:
    """Part strikes by the gains of their cells: by the evening that held, and the row pressed."""
    gains: dict[tuple[int, int] | None, _Gains] = {None: _Gains()}
    groups: dict[tuple[int, int] | None, list[tuple[StrikeRow, Strike]]] = {}
    for contact, strike in pairs:
        held = evenings.at(contact.struck_utc_ns)
        key = None
        if held is not None and fits_board(held.evening, hello.rows, hello.cells):
            raw = strike.counts.astype(np.float64)
            rest, _, _ = rest_levels(raw, late_start=Flag.LATE_START in strike.flags)
            row, _ = _heaviest(raw - rest)
            key = (held.id, row)
            gains[key] = _Gains(gain_table(held.evening)[row], shared_doubt(held.evening))
        groups.setdefault(key, []).append((contact, strike))
    return [(gains[key], group) for key, group in groups.items()]


def _heaviest(net: FloatArray) -> tuple[int, slice]:
    """Row with the greatest peak, and the scans about that peak."""
    totals = net.sum(axis=2)
    peak, row = np.unravel_index(int(np.argmax(totals)), totals.shape)
    start = max(0, int(peak) - _SCANS // 2)
    return int(row), slice(start, min(start + _SCANS, len(net)))


def _strip_of(hello: Hello) -> Strip:
    return Strip(
        pitch_mm=hello.pitch_um / 1000,
        full_scale=hello.full_scale,
        scan_order=ScanOrder(hello.scan_order),
        scan_us=hello.scan_ticks / hello.tick_hz * 1e6,
    )


def _joined(parts: Sequence[Footprints]) -> Footprints:
    """Put the strikes of several boards, boots or evenings into one: the player is the same."""
    if len(parts) == 1:
        return parts[0]
    fits = [part.fits for part in parts]
    cells = max(one.gain_influence_mm.shape[2] for one in fits)
    columns: dict[str, Any] = {}
    for column in fields(FootprintFits):
        values = [getattr(one, column.name) for one in fits]
        if column.name == "gain_influence_mm":
            # Boards may have different numbers of cells; cells that are not there weigh nothing.
            values = [np.pad(v, ((0, 0), (0, 0), (0, cells - v.shape[2]))) for v in values]
        if isinstance(values[0], np.ndarray):
            columns[column.name] = np.concatenate(values)
    columns["gain_shared_u"] = max(one.gain_shared_u for one in fits)
    strikes = tuple(strike for part in parts for strike in part.strikes)
    return Footprints(strikes, replace(fits[0], **columns))


def _sole_length(spec: ClubSpec) -> tuple[float, float]:
    if spec.sole_length_mm is None:
        return _USUAL_SOLE_MM
    return spec.sole_length_mm, _MEASURED_SOLE_U_MM
