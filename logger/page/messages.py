"""What the server and the page say to each other.

**From the server**, as server-sent events of ``GET /events`` (and at once, as JSON, from
``GET /state``)::

    id: 1764080255123          the revision; the browser hands it back as Last-Event-ID
    event: strikes             one JSON object a message, on one ``data`` line
    data: {"reset": false, "strikes": [...]}

``state``
    `StateMessage`: everything but the strikes. Each replaces the one before it. It comes at once
    when another club is up or a board's state changed (with the numbers as they last were), and
    again as soon as the numbers are worked out anew.
``strikes``
    `StrikesMessage`: strikes that are new or changed, by ``id``; with ``reset`` those that were
    shown before are forgotten first. A new strike comes here first, some 100 ms before the state
    that takes it into account. They are not in any order: sort by ``at_utc``, then ``id``.
``gone``
    ``{"words": str}``: the server is closing. Close the `EventSource`, or it tries for ever.

The first messages after connecting are ``strikes`` with ``reset`` and ``state``; after a
reconnection with a Last-Event-ID that the server still remembers, only what was missed. Between
messages a comment line every few seconds says that the line is alive (the browser hides it).

``GET /state`` gives ``{"state": StateMessage, "strikes": [StrikeMessage, ...]}``.

**From the page**: ``POST /act`` with ``Content-Type: application/json`` and one of::

    {"act": "set_aside", "strike": 17, "reason": "heard the shaft"}   reason may be left out
    {"act": "bring_in", "strike": 17}
    {"act": "take_back"}                  the last strike that counts of the club that is up
    {"act": "choose_club", "club": "7i"}
    {"act": "next_club"}
    {"act": "previous_club"}
    {"act": "note", "text": "wind from the left"}

The answer is ``{"words": str}``, to be shown to the fitter: with 200 what was done, with 400 what
is wrong with what was asked for, with 403 that this viewer may only look on, with 503 that the
data file could not be written. What it changed comes as events. Draw acting controls only while
``may_act`` is true.

**Assets.** ``GET /`` is ``assets/index.html``; every file in ``assets/`` is
``/assets/NAME`` (one level, no folders). The content security policy is ``default-src 'none'``
with ``script-src``, ``style-src``, ``img-src``, ``font-src``, ``connect-src`` and ``form-action``
``'self'``: no inline script or style (also no ``style=`` attribute; setting ``element.style`` from
a script is allowed), no ``data:``. On a shared page a viewer without a session gets
``assets/enter.html`` at ``/``: a plain form ``<form method="post" action="/enter">`` with one
``<input name="code">``; it may load ``/assets/`` files, and no script is needed. After a wrong code
the same page comes back with status 403 (429: too many guesses) and the words of why in place of
``<!-- words -->``.

Texts may hold anything that a person typed: set them with ``textContent``. Numbers are in the unit
of their name; directions as in `analysis.conventions`: ``toe_mm`` positive toward the toe,
``trail_mm`` toward the trailing edge. Texts that carry meaning (decisions, reasons, advice) come
from here, with the player's handedness in them.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, Literal

from logger.store.rows import LinkWord


@dataclass(frozen=True, slots=True)
class SessionPart:
    """Which session is shown."""

    number: int
    player: str
    set_name: str
    hand: Literal["right", "left"]
    """Left: draw the sole the other way round, the toe on the left."""
    started_utc: str
    """ISO 8601 with milliseconds and Z."""
    open: bool


@dataclass(frozen=True, slots=True)
class NextPart:
    """Which club to hit next."""

    club: str | None
    """None: stop, no further swing is worth it."""
    swings: int
    """How often before looking again; 0 = stop."""
    why: str
    settled: bool
    """Whether the advice is to stop."""


@dataclass(frozen=True, slots=True)
class SolePart:
    """Shape of a sole, to draw it; what was not measured is what is usual."""

    length_mm: float
    width_mm: float
    """Only for drawing: it is never measured."""
    camber_mm: float
    camber_measured: bool


@dataclass(frozen=True, slots=True)
class ContactPart:
    """Mean contact of a club along the sole."""

    mean_mm: float
    low_mm: float | None
    """None, as the other end, with a single strike."""
    high_mm: float | None


@dataclass(frozen=True, slots=True)
class LiePart:
    """Lie error as delivered, positive = too upright."""

    deg: float
    low_deg: float
    high_deg: float


@dataclass(frozen=True, slots=True)
class EllipsePart:
    """Where the next strike falls with a chance of ``share``; middle and half axes on the sole."""

    toe_mm: float
    trail_mm: float
    major_mm: float
    """Half the long axis."""
    minor_mm: float
    """Half the short axis."""
    angle_deg: float
    """Of the long axis, from +toe turning to +trail; over -90 up to 90."""
    share: float


@dataclass(frozen=True, slots=True)
class ClubPart:
    """One club of the set; clubs come in the order of the set."""

    name: str
    pivot: bool
    length_mm: float | None
    sole: SolePart
    contact: ContactPart | None
    lie_error: LiePart | None
    decision: str
    """What is to be done with it, in the words of the bend sheet, such as ``bend 1° flat``."""
    why: str
    """What the decision rests on, one line."""
    settled: bool
    """Whether it is decided: bend it, or leave it."""
    touched: str
    """Where the sole touched, as struck: ``centred``, ``toe-deep``, ``heel-deep`` or ``not clear``;
    empty with fewer than two strikes."""
    lie_words: str
    """Lie error as a sentence; empty while there is none."""
    tends: str
    """Where the ball tends to because of it, such as ``ball tends right``; empty if not clear or
    centred."""
    wanted_mm: float
    """Place on the sole where the contact is wanted, stance counted."""
    wanted_deg: float
    """Lie error that is wanted."""
    wanted_words: str
    """Why it is not the middle of the sole; empty where it is."""
    ellipse: EllipsePart | None
    """None while too few strikes are known front to back."""
    used: int
    set_aside: int
    lost: int
    """Records under this club that the board sent and nobody has."""
    level_by: str
    """What the absolute level rests on; empty while there is no lie error."""
    outlier: float | None
    """Probability that the club stands off the set's line; None where it cannot be told."""
    outlier_words: str
    """Set when it is likely; else empty."""


@dataclass(frozen=True, slots=True)
class LinePart:
    """The set's line: where a club of this set that stands on it would touch."""

    points: list[tuple[float, float]]
    """(length_mm, toe_mm) by rising length."""


@dataclass(frozen=True, slots=True)
class BoardPart:
    """How a board is doing; None = not known here."""

    board: str
    link: LinkWord
    link_words: str
    """Such as ``next try in 4 s``; may be empty."""
    battery_percent: float | None
    battery_volts: float | None
    kept: int | None
    """Strikes that the board holds and the host has not confirmed."""
    lost: int
    clock_u_ms: float | None
    """Standard uncertainty of the time of the latest strike."""


@dataclass(frozen=True, slots=True)
class StateMessage:
    """Everything but the strikes."""

    revision: int
    session: SessionPart | None
    """None while the data file holds no session; ``hints`` says what to do."""
    current_club: str | None
    next: NextPart | None
    """None while nothing counts."""
    clubs: list[ClubPart]
    line: LinePart | None
    boards: list[BoardPart]
    may_act: bool
    hints: list[str]
    """What the fitter should know, each one line; the page shows them all."""
    up_to_date: bool
    """False while the numbers of a later strike are still being worked out."""


@dataclass(frozen=True, slots=True)
class StrikeMessage:
    """One contact: seen by the board, or a mark read off the sole."""

    id: int
    """Of a mark it is negative."""
    source: Literal["board", "mark"]
    club: str | None
    """None: struck while no club was up."""
    number: int
    """From 1 in the order struck, under its club in this session."""
    at_utc: str
    toe_mm: float | None
    """First the board's quick contact; once worked out, where the strike's footprint says. None: it
    has no place that could be read, and is only listed."""
    trail_mm: float | None
    used: bool
    reason: str | None
    """Why it was set aside."""
    by_hand: bool
    """Whether a person said so (either way), and not a rule."""
    doubt: str | None = None
    """Why the numbers hardly follow it although nobody set it aside: a mishit, or cells that do not
    look like a sole's. It counts in its club's ``set_aside``."""


@dataclass(frozen=True, slots=True)
class StrikesMessage:
    """Strikes that are new or changed."""

    reset: bool
    strikes: list[StrikeMessage]


@dataclass(frozen=True, slots=True)
class WordsMessage:
    """One line for the fitter: ``gone``, and the answer to an act."""

    words: str


def encode(message: object) -> bytes:
    """Return one of the messages above as JSON on one line.

    Raises
    ------
    ValueError
        If a number in it is not finite: that has no JSON.
    """
    return json.dumps(
        asdict(message),  # type: ignore[call-overload]
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
    ).encode(errors="replace")


def event(kind: str, data: bytes, revision: int | None = None) -> bytes:
    """Frame one server-sent event (WHATWG HTML, 9.2.6: fields end with LF, an empty line ends it).

    ``data`` is JSON, which has no line break of its own.
    """
    head = b"" if revision is None else b"id: %d\n" % revision
    return b"%sevent: %s\ndata: %s\n\n" % (head, kind.encode(), data)


def decode_act(body: bytes) -> dict[str, Any]:
    """Read the JSON of an act.

    Raises
    ------
    ValueError
        It is no JSON object.
    """
    found = json.loads(body)
    if not isinstance(found, dict):
        raise ValueError("an act is a JSON object")
    return found
