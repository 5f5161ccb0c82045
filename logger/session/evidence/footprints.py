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
from logger.protocol.many_strikes import strikes_from_raw
from logger.protocol.records import Hello, Strike
from logger.session.evidence.pressed import Pressed, pressed_of
from logger.session.logging.cell_calibration import (
    EveningsInForce,
    evenings_of,
    fits_board,
    gain_table,
    shared_doubt,
)
from logger.setfiles.clubs import ClubSpec
from logger.store.rows import SessionRow, StrikeRow
from logger.store.store import Store

# A sole is measured with a rule from end to end, ground-off parts included; one that was not
# measured is a middle iron's. Common practice, no source.
_USUAL_SOLE_MM = (78.0, 3.0)
_MEASURED_SOLE_U_MM = 1.5
# A cell's noise of less than this is rounding, which the fit adds by itself.
_LEAST_NOISE_COUNTS = 0.5


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
    strike is read: a board sends waggles and resting heads as well.
    """

    def __init__(self, store: Store, session: SessionRow) -> None:
        self._store = store
        self._session = session
        # By boot and first record; None = it has no scans.
        self._pressed: dict[tuple[int, int | None], Pressed | None] = {}
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
            self._read(boot, hello, own)
            known = [self._pressed.get((boot, c.first_sequence)) for c in own]
            pairs = [(c, one) for c, one in zip(own, known, strict=True) if one is not None]
            evenings = evenings_of(self._store, boot)
            for gains, group in _by_gains(hello, pairs, evenings):
                found.append(self._fit_boot(hello, group, soles, specs, gains))
        return _joined(found) if found else None

    def _fit_boot(
        self,
        hello: Hello,
        pairs: Sequence[tuple[StrikeRow, Pressed]],
        soles: Mapping[int, tuple[float, float]],
        specs: Mapping[int, ClubSpec],
        gains: _Gains,
    ) -> Footprints:
        strikes = tuple(contact for contact, _ in pairs)
        pressed = [one for _, one in pairs]
        clubs = [contact.club for contact in strikes if contact.club is not None]
        camber = np.array([soles[club] for club in clubs])
        length = np.array([_sole_length(specs[club]) for club in clubs])
        fits = fit_footprints(
            np.array([one.counts for one in pressed]),
            np.array([one.times_us for one in pressed]),
            StripSpec(
                pitch_mm=hello.pitch_um / 1000,
                cells=hello.cells,
                full_scale_counts=hello.full_scale,
                gain=gains.gain,
                gain_shared_u=gains.shared_u,
                offset_u_counts=max(
                    float(np.median([one.noise for one in pressed])), _LEAST_NOISE_COUNTS
                ),
            ),
            SolePrior(camber[:, 0], camber[:, 1], length[:, 0], length[:, 1]),
            AimPrior(
                sole_middle_mm=self._session.sole_middle_mm,
                offset_u_mm=self._session.sole_middle_u_mm,
            ),
            hand=Hand(self._session.hand),
            rest_counts=np.array([one.rest for one in pressed])[:, None],
        )
        return Footprints(strikes, fits)

    def _hello(self, boot: int) -> Hello | None:
        if boot not in self._hellos:
            self._hellos[boot] = self._store.hello_of(boot)
        return self._hellos[boot]

    def _read(self, boot: int, hello: Hello, contacts: Sequence[StrikeRow]) -> None:
        """Read what is not known yet of a boot's strikes."""
        wanted = [c.first_sequence for c in contacts if c.first_sequence is not None]
        new = [sequence for sequence in wanted if (boot, sequence) not in self._pressed]
        raws = self._store.strikes_raw(boot, new, session=self._session.id)
        self._pressed.update(dict.fromkeys((boot, sequence) for sequence in new))
        strikes = [one for one in strikes_from_raw([*raws.values()]) if isinstance(one, Strike)]
        for sequence, one in zip(raws, pressed_of(hello, strikes), strict=True):
            self._pressed[boot, sequence] = one


def _by_gains(
    hello: Hello, pairs: Sequence[tuple[StrikeRow, Pressed]], evenings: EveningsInForce
) -> list[tuple[_Gains, list[tuple[StrikeRow, Pressed]]]]:
    """Part strikes by the gains of their cells: by the evening that held, and the row pressed."""
    gains: dict[tuple[int, int] | None, _Gains] = {None: _Gains()}
    groups: dict[tuple[int, int] | None, list[tuple[StrikeRow, Pressed]]] = {}
    for contact, pressed in pairs:
        held = evenings.at(contact.struck_utc_ns)
        key = None
        if held is not None and fits_board(held.evening, hello.rows, hello.cells):
            key = (held.id, pressed.row)
            if key not in gains:
                table = gain_table(held.evening)
                gains[key] = _Gains(table[pressed.row], shared_doubt(held.evening))
        groups.setdefault(key, []).append((contact, pressed))
    return [(gains[key], group) for key, group in groups.items()]


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
