"""Raw scans of a session's strikes -> one value for each cell, ready for the lie engine.

Boards that send whole scans only. Nothing of it is stored: it is worked out from the raw records
whenever it is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.board.response_law import UNKNOWN, ResponseLaw
from analysis.conventions import FloatArray, Hand
from analysis.footprint.patch import NotUsed, reasons
from analysis.footprint.press import StripCells
from analysis.footprint.scans import peak_profile
from analysis.lie.model import Prints
from logger.protocol.many_strikes import strikes_from_raw
from logger.protocol.records import Hello, Strike
from logger.session.evidence.pressed import Pressed, pressed_of
from logger.session.logging.cell_calibration import (
    CalibrationsInForce,
    LawsInForce,
    calibrations_of,
    fits_board,
    gain_table,
    laws_of,
    shared_doubt,
)
from logger.store.rows import SessionRow, StrikeRow
from logger.store.store import Store

# A cell's noise of less than this is rounding, which is added by itself.
_LEAST_NOISE_COUNTS = 0.5
# Of a film's cell from press to press (J. Sensors 2018, 6561901, Tables 4 and 5: 5 %, of which part
# is the load's own).
_GAIN_U = 0.03
# Cells that were never calibrated: films differ by 5 to 20 % (same source, matched by the maker).
_UNCALIBRATED_U = 0.08
# Calibrated or not: cells are calibrated at rest and pressed in a millisecond, and films and foams
# lag, each cell by its own. Part of the 5 to 20 % between cells of the same source.
_QUICK_U = 0.07
# A patch with a flank either side: what has fewer cells places nothing on a sole.
_FEWEST_CELLS = 4
# A cell counts as on the foundation above this part of the peak.
_ON_PART = 0.08


@dataclass(frozen=True, slots=True)
class SessionPrints:
    """Prints of a session, and which strike each is of."""

    prints: tuple[Prints, ...]
    strikes: tuple[StrikeRow, ...]
    """Of all prints, counted through."""
    refused: Mapping[int, str]
    """By id of the strike: why its cells are not used."""


@dataclass(frozen=True, slots=True)
class _Gains:
    """Of the cells of one row: as made, or as a calibration found them."""

    gain: FloatArray | float = 1.0
    shared_u: float = math.hypot(_UNCALIBRATED_U, _QUICK_U)
    law: ResponseLaw = UNKNOWN


class FootprintReader:
    """Reads a session's strikes, and remembers what it has read and decoded.

    For one session; a strike's record never changes, so what was read stays good. Only what is a
    strike is read: a board sends waggles and resting heads as well.
    """

    def __init__(self, store: Store, session: SessionRow) -> None:
        self._store = store
        self._session = session
        # By boot and first record; None = it has no scans.
        self._pressed: dict[tuple[int, int | None], Pressed | None] = {}
        self._hellos: dict[int, Hello | None] = {}

    def read(self, contacts: Sequence[StrikeRow], place: Mapping[int, int]) -> SessionPrints:
        """Read every contact that has scans.

        Parameters
        ----------
        contacts
            Strikes of this session, each under a club.
        place
            Place of each club among the heads.
        """
        prints: list[Prints] = []
        strikes: list[StrikeRow] = []
        refused: dict[int, str] = {}
        for boot in sorted({c.boot for c in contacts if c.boot is not None}):
            hello = self._hello(boot)
            if hello is None:
                continue
            own = [c for c in contacts if c.boot == boot and c.club in place]
            if hello.cells < _FEWEST_CELLS:
                few = f"a strip of {hello.cells} cells shows no sole: build one of 16 or more"
                refused.update((c.id, few) for c in own)
                continue
            self._read(boot, hello, own)
            known = [self._pressed.get((boot, c.first_sequence)) for c in own]
            pairs = [(c, one) for c, one in zip(own, known, strict=True) if one is not None]
            for gains, group in _by_gains(
                hello, pairs, calibrations_of(self._store, boot), laws_of(self._store, boot, hello)
            ):
                made, used, why = self._prints(hello, group, gains, place)
                refused.update(why)
                if used:
                    prints.append(made)
                    strikes.extend(used)
        return SessionPrints(tuple(prints), tuple(strikes), refused)

    def _prints(
        self,
        hello: Hello,
        pairs: Sequence[tuple[StrikeRow, Pressed]],
        gains: _Gains,
        place: Mapping[int, int],
    ) -> tuple[Prints, list[StrikeRow], dict[int, str]]:
        hand = Hand(self._session.hand)
        gain = np.broadcast_to(np.asarray(gains.gain, float), (hello.cells,))
        gain = gain[:: hand.toe_sign]
        noise = max(float(np.median([one.noise for _, one in pairs])), _LEAST_NOISE_COUNTS)
        counts = np.array([one.counts for _, one in pairs])[..., :: hand.toe_sign]
        times = np.array([one.times_us for _, one in pairs])[..., :: hand.toe_sign]
        rest = np.array([one.rest for _, one in pairs])[:, :: hand.toe_sign]
        dead = ~(np.isfinite(gain) & (gain > 0))
        gain = np.where(dead, 1.0, gain)
        full = np.isfinite(counts) & (counts >= hello.full_scale)
        profile = peak_profile(
            (counts - rest[:, None]) / gain, times, full, (noise**2 + 1 / 12) / gain**2
        )
        why = reasons(profile, dead)
        y, variance = profile.counts, profile.variance
        if profile.sag is not None:
            assert profile.sag_basis is not None
            assert profile.curve_covariance is not None
            # Where the sole was on the foundation all along, the load's curve is known.
            on = y > _ON_PART * y.max(axis=1, keepdims=True)
            y = y + np.where(on, profile.sag, 0.0)
            curve = np.einsum(
                "nkc,nkl,nlc->nc", profile.sag_basis, profile.curve_covariance, profile.sag_basis
            )
            variance = variance + np.where(on, np.maximum(curve, 0.0), 0.0)
        gone = profile.missing | dead | ~np.isfinite(y)
        used = [row for row, reason in enumerate(why) if reason is NotUsed.OK]
        full = np.maximum((hello.full_scale - np.median(rest, axis=0)) / gain, 1.0)
        strikes = [pairs[row][0] for row in used]
        made = Prints(
            StripCells(hello.cells, hello.pitch_um / 1000),
            # To a thousandth of a count: what lies below is arithmetic, and another on another day.
            np.asarray(np.round(np.where(gone, 0.0, y)[used], 3), float),
            np.asarray(np.round(np.where(gone, np.inf, variance)[used], 3), float),
            profile.saturated[used],
            np.array([place[c.club] for c in strikes if c.club is not None], dtype=int),
            hand.toe_sign * self._session.sole_middle_mm,
            _GAIN_U,
            gains.shared_u,
            full,
            gains.law.bend,
            gains.law.bend_u,
        )
        refused = {
            pairs[row][0].id: reason.words
            for row, reason in enumerate(why)
            if reason is not NotUsed.OK
        }
        return made, strikes, refused

    def _hello(self, boot: int) -> Hello | None:
        if boot not in self._hellos:
            self._hellos[boot] = self._store.boards.hello_of(boot)
        return self._hellos[boot]

    def _read(self, boot: int, hello: Hello, contacts: Sequence[StrikeRow]) -> None:
        """Read what is not known yet of a boot's strikes."""
        wanted = [c.first_sequence for c in contacts if c.first_sequence is not None]
        new = [sequence for sequence in wanted if (boot, sequence) not in self._pressed]
        raws = self._store.records.scans(boot, new, session=self._session.id)
        self._pressed.update(dict.fromkeys((boot, sequence) for sequence in new))
        strikes = [one for one in strikes_from_raw([*raws.values()]) if isinstance(one, Strike)]
        for sequence, one in zip(raws, pressed_of(hello, strikes), strict=True):
            self._pressed[boot, sequence] = one


def _by_gains(
    hello: Hello,
    pairs: Sequence[tuple[StrikeRow, Pressed]],
    calibrations: CalibrationsInForce,
    laws: LawsInForce,
) -> list[tuple[_Gains, list[tuple[StrikeRow, Pressed]]]]:
    """Part strikes by the cells pressed: the row, and the calibration that held."""
    gains: dict[tuple[int | None, int, ResponseLaw], _Gains] = {}
    groups: dict[tuple[int | None, int, ResponseLaw], list[tuple[StrikeRow, Pressed]]] = {}
    for contact, pressed in pairs:
        held = calibrations.at(contact.struck_utc_ns)
        fits = held is not None and fits_board(held.calibration, hello.rows, hello.cells)
        law = laws.at(contact.struck_utc_ns)
        key = (held.id if held is not None and fits else None, pressed.row, law)
        if key not in gains:
            gains[key] = _Gains(law=law)
            if held is not None and fits:
                table = gain_table(held.calibration)
                gains[key] = _Gains(
                    table[pressed.row], math.hypot(shared_doubt(held.calibration), _QUICK_U), law
                )
        groups.setdefault(key, []).append((contact, pressed))
    return [(gains[key], group) for key, group in groups.items()]
