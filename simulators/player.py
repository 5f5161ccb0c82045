"""An invented player swinging through a set: a schedule of contacts on a virtual time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulators.clubs import Club
from simulators.contacts import (
    Contact,
    Event,
    Foot,
    HeldSole,
    Press,
    Rebound,
    SolePass,
    strike_truth,
)
from simulators.sole import Pass, Sole


@dataclass(frozen=True, kw_only=True)
class Player:
    """Habits of one player. None of these numbers is known to whoever reads the board."""

    # +1 right-handed, -1 left-handed.
    hand: int = 1
    # Where the sole's middle passes the board's middle on average, toward the toe; all clubs.
    delivery_mm: float = 4.0
    delivery_scatter_mm: float = 4.5
    lie_scatter_deg: float = 0.55
    # Reaching out with the hands also flattens or raises the shaft a little.
    lie_delivery_correlation: float = 0.25
    depth_mm: float = 2.2
    # Logarithmic.
    depth_scatter: float = 0.18
    trail_scatter_mm: float = 1.3
    speed_scatter: float = 0.02
    mishit_chance: float = 0.07
    # Scatter of a mishit, as a multiple.
    mishit_width: float = 3.5
    # Over a hundred swings: the hands sink, so clubs come in more upright, and scatter grows.
    fatigue_deg: float = 0.25
    fatigue_scatter: float = 0.25
    waggles: float = 0.7
    rest_chance: float = 0.3
    foot_chance: float = 0.02
    double_chance: float = 0.06
    bounce_chance: float = 0.12

    @classmethod
    def only_strikes(cls, hand: int = 1) -> Player:
        """Make a player whose board sees strikes and nothing else."""
        return cls(hand=hand, waggles=0.0, rest_chance=0.0, foot_chance=0.0, double_chance=0.0,
                   bounce_chance=0.0)  # fmt: skip

    def swing(self, rng: np.random.Generator, club: Club, swings_before: int) -> tuple[Pass, bool]:
        """One swing with a club; true if it was a mishit."""
        tired = swings_before / 100
        mishit = bool(rng.random() < self.mishit_chance)
        width = (1 + self.fatigue_scatter * tired) * (self.mishit_width if mishit else 1.0)
        reach, turn = rng.standard_normal(2)
        rho = self.lie_delivery_correlation
        turn = rho * reach + np.sqrt(1 - rho**2) * turn
        lie = club.lie_error_deg + self.fatigue_deg * tired + turn * self.lie_scatter_deg * width
        lowest = self.depth_mm * np.exp(rng.normal(0.0, self.depth_scatter * width))
        # The swing's height decides how deep the lowest point of the sole goes, not its middle.
        radius = float(np.asarray(club.sole.camber_mm))
        depth = float(np.clip(lowest, 0.2, 5.0)) - radius * np.tan(np.radians(lie)) ** 2 / 2
        delivered = self.delivery_mm + reach * self.delivery_scatter_mm * width
        return Pass(
            c_mm=self.hand * delivered, lie_error_deg=float(lie), depth_mm=float(depth),
            trail_mm=float(rng.normal(club.trail_mm, self.trail_scatter_mm * width)),
            speed_mm_per_ms=float(club.speed_mm_per_ms * rng.normal(1.0, self.speed_scatter)),
            low_point_mm=float(rng.normal(10.0, 8.0)), hand=self.hand,
        ), mishit  # fmt: skip


def schedule(
    rng: np.random.Generator,
    player: Player,
    clubs: Sequence[Club],
    strikes_per_club: int,
    *,
    pace_ns: int = 20_000_000_000,
    press_next: bool = True,
) -> list[Event]:
    """Everything that touches the board, in order, times from the start of the session.

    A swing takes `pace_ns`: address (waggles, perhaps the head resting on the board), the strike at
    three quarters, what follows it. A short pace shortens the pauses, and the waggles and rests
    with them; strikes keep their true microseconds. After a club the foot switch says *next club*,
    if `press_next`, but not after the last.
    """
    events: list[Event] = []
    start_ns = 0
    swings = 0
    for number, club in enumerate(clubs):
        for _ in range(strikes_per_club):
            events += _address(rng, player, club, start_ns, pace_ns)
            strike_ns = start_ns + int(pace_ns * (0.75 + 0.02 * rng.random()))
            swing, mishit = player.swing(rng, club, swings)
            events += _strike(rng, player, club.label, club.sole, swing, strike_ns, mishit)
            start_ns += pace_ns
            swings += 1
            if rng.random() < player.foot_chance:
                foot = _foot(rng, club.label, start_ns)
                events.append(foot)
                start_ns += 600_000_000
        if press_next and number < len(clubs) - 1:
            events.append(Press(start_ns + pace_ns // 8, 1, club.label))
            start_ns += pace_ns // 4
    return sorted(events, key=lambda event: event.at_ns)


def _address(
    rng: np.random.Generator, player: Player, club: Club, start_ns: int, pace_ns: int
) -> list[Event]:
    """Draw what happens on the board before the swing."""
    events: list[Event] = []
    pace_ms = pace_ns / 1e6
    if rng.random() < player.rest_chance:
        still = Pass(
            c_mm=player.hand * rng.normal(0.0, 5.0), depth_mm=rng.uniform(0.4, 1.2),
            lie_error_deg=club.lie_error_deg - 2.0 + rng.normal(0.0, 1.0),
            trail_mm=club.trail_mm, hand=player.hand,
        )  # fmt: skip
        ramp_ms = min(60.0, 0.02 * pace_ms)
        hold_ms = min(rng.uniform(600.0, 4000.0), 0.2 * pace_ms)
        events.append(
            Contact(start_ns + int(0.06 * pace_ns), "rest", club.label,
                    HeldSole(club.sole, still, hold_ms, ramp_ms),
                    strike_truth(club.sole, still))
        )  # fmt: skip
    count = int(min(rng.poisson(player.waggles), 3))
    # At most a fifth of the time left for it, so that two waggles are two contacts.
    slowest = 30.0 / (0.06 * pace_ms)
    for index in range(count):
        brush = Pass(
            c_mm=player.hand * rng.normal(0.0, 9.0), depth_mm=rng.uniform(0.15, 0.7),
            lie_error_deg=club.lie_error_deg - 1.5 + rng.normal(0.0, 1.2),
            trail_mm=club.trail_mm + rng.normal(0.0, 2.0), hand=player.hand,
            speed_mm_per_ms=max(rng.uniform(0.25, 1.2), slowest),
            arc_radius_mm=900.0,
        )  # fmt: skip
        at_ns = start_ns + int(pace_ns * (0.36 + 0.12 * index + 0.03 * rng.random()))
        events.append(
            Contact(at_ns, "waggle", club.label, SolePass(club.sole, brush),
                    strike_truth(club.sole, brush))
        )  # fmt: skip
    return events


def _strike(
    rng: np.random.Generator, player: Player, label: str, sole: Sole, swing: Pass, at_ns: int,
    mishit: bool,
) -> list[Event]:  # fmt: skip
    """Draw the strike and what springs back from it."""
    load = SolePass(sole, swing)
    truth = strike_truth(sole, swing, mishit=mishit)
    events: list[Event] = [Contact(at_ns, "strike", label, load, truth)]
    if rng.random() < player.double_chance:
        # The cover rings once: the same print, fainter, after the board is ready again.
        later_ns = int(rng.uniform(4.0, 12.0) * 1e6)
        again = Rebound(load, rng.uniform(0.08, 0.3), rng.uniform(0.8, 2.0))
        events.append(Contact(at_ns + later_ns, "double", label, again, dict(truth)))
    if rng.random() < player.bounce_chance:
        # The whole board rocks on its base: wider and slower.
        later_ns = int(rng.uniform(15.0, 30.0) * 1e6)
        rock = Rebound(load, rng.uniform(0.05, 0.2), rng.uniform(3.0, 9.0), even_share=0.6)
        events.append(Contact(at_ns + later_ns, "bounce", label, rock, dict(truth)))
    return events


def _foot(rng: np.random.Generator, label: str, start_ns: int) -> Contact:
    foot = Foot(rng.uniform(-25.0, 25.0), rng.uniform(80.0, 105.0), rng.uniform(1.0, 3.5),
                rng.uniform(250.0, 400.0), 50.0)  # fmt: skip
    return Contact(start_ns + 20_000_000, "foot", label, foot)
