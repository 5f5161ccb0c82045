"""All presses of a session as one: the posterior of what they share.

Unknown once for all presses that it touches: what the player does today (mean delivery), what the
cover does, where a print's ends lie, each head's shape and contact. Each press's contact is summed
over nodes (where no end prints, or hardly, it is no normal), its size, depth and place eliminated
(Schur complement); what is shared follows by Newton's method on the sum, with the Hessian of
Louis (J. R. Stat. Soc. B 44 (1982) 226-233), at each node of a grid over the mean delivery.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from analysis.conventions import FloatArray
from analysis.footprint.press import (
    ASIDE,
    CURVE,
    CURVES,
    EDGE_HEEL,
    EDGE_TOE,
    HALF,
    HANG,
    HEEL,
    LOG_A,
    LOG_H,
    OUTWARD,
    POWER,
    REACH,
    SHARE,
    SIZE,
    TOE,
    WARP,
    WARP_AT_MM,
    C,
    StripCells,
    T,
    ground_off,
    read_press,
    tangent,
)

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
# A press's own unknowns.
OWN = (LOG_A, C, LOG_H)
# Of a head, in its block of the shared vector.
H_T, H_ETA, H_HEEL, H_TOE, H_HALF, H_EDGE_HEEL, H_EDGE_TOE, H_MIDDLE, H_CURVE = range(9)
HEAD = H_CURVE + CURVES
# Of the session, then of each design of soles.
S_POWER, S_SHARE, S_REACH, S_HANG, S_OUTWARD, S_ASIDE, S_MARKS = range(7)
SESSION = 7
WARPS = len(WARP_AT_MM)
DESIGNS = 2
# What a press's cells follow: its head, the cover, its design.
LOCAL = HEAD + SESSION - 1 + WARPS
# Columns of a press's derivatives in the order of the local vector, from the head's third on.
_SHARED = (
    *(HEEL, TOE, HALF, EDGE_HEEL, EDGE_TOE, ASIDE),
    *range(CURVE, CURVE + CURVES),
    *(POWER, SHARE, REACH, HANG, OUTWARD, ASIDE),
    *range(WARP, WARP + WARPS),
)
# Noise stated is not believed to be less than this part of itself: what the model of a print gets
# wrong is in it, and repeats.
LEAST_NOISE = 0.9
CENTRE, OUT, STEP = 2, 8, 1.1
_DOF_CELLS = 5.0
_DOF_SWING = 5.0
_FREE_T_MM = 100.0
# A press costs its cells this much each, the noise as stated at first, where it is no sole's.
_ODD = 3.0
# Nodes of a press's contact, in its standard deviations.
_Z = np.linspace(-2.6, 2.6, 5)
# Weights of reweighted least squares overstate what heavy-tailed noise tells: a Student density has
# (nu + 1)/(nu + 3) of that information (Lange, Little, Taylor, J. Am. Stat. Assoc. 84 (1989) 881).
_TOLD = (_DOF_CELLS + 1) / (_DOF_CELLS + 3)


@dataclass(frozen=True)
class Prints:
    """Presses read by one row of cells of one board, calibrated alike."""

    cells: StripCells
    counts: FloatArray
    """(n, cells): rest taken off, gains applied, skew removed; player's side."""
    variance: FloatArray
    """(n, cells): of offset noise; infinite where there is no sample."""
    saturated: BoolArray
    """(n, cells): the value is a lower limit."""
    head: IntArray
    """(n,): place of the head."""
    address_mm: float
    """Address mark, player's side."""
    gain_u: float = 0.03
    """Of a cell's gain from press to press."""
    shared_gain_u: float = 0.05
    """What calibration left, the same in all presses."""


@dataclass(frozen=True)
class Places:
    """Contacts without a print: lowest points on the board, or marks on the sole."""

    value_mm: FloatArray
    u_mm: FloatArray
    head: IntArray
    is_mark: BoolArray
    """(n,)."""
    audits: IntArray
    """(n,): number of the press (all prints counted) whose mark it is, or -1."""


@dataclass(frozen=True)
class HeadShape:
    """What is known of a head before it is hit."""

    half_length_mm: float = 39.0
    half_length_u_mm: float = 1.5
    camber_mm: float = 282.5
    family: int = 0


@dataclass(frozen=True)
class Priors:
    """What is taken for granted. Common practice, no source, where none is named.

    `_mm` and the like are means, `_u` and `_u_mm` standard uncertainties.
    """

    delivery_mm: float = 0.0
    delivery_u_mm: float = 10.0
    scatter_mm: float = 4.0
    contact_scatter_mm: float = 3.0
    ground_mm: float = 6.0
    ground_u_mm: float = 3.5
    edge_radius_mm: float = 25.0
    edge_log_u: float = 0.5
    curves: tuple[float, ...] = (0.0, 0.15, 0.0, 0.0)
    curves_u: tuple[float, ...] = (0.12, 0.3, 0.1, 0.15)
    middle_u_mm: float = 0.5
    # Of the variance of what heads are, shared by all of a design: hands finish them to a mm.
    alike: float = 0.85
    head_delivery_u_mm: float = 1.0
    power: float = -0.1
    power_u: float = 0.3
    share: float = 0.15
    share_u: float = 0.1
    reach_mm: float = 4.0
    reach_log_u: float = 0.5
    hang_mm: float = 1.5
    hang_log_u: float = 0.7
    outward_u_mm: float = 0.8
    aside_u_mm: float = 0.3
    warp_u: float = 0.06
    marks_u_mm: float = 0.5
    # What the model of a print gets wrong of where the sole's middle passed, the same for all
    # heads, and each head's own. No number of swings lowers it, marks do. Not derived but measured,
    # as a gauge's error is (JCGM 100:2008, 4.2), in the second world of tests/benchmarks.
    floor_u_mm: float = 0.8
    head_floor_u_mm: float = 0.45
    depth_mm: float = 2.0
    depth_log_u: float = 1.0
    # Of the peak, cell by cell: what film repeats to from press to press (5 to 20 % between cells,
    # 5 % a press of which most is the load's: J. Sensors 2018, 6561901, Tables 4 and 5), and what
    # no model of a print gets right, which is alike in all presses of a head. The mean of n presses
    # is then known to own^2 / n + alike^2, as if each had own^2 + n alike^2.
    peak_noise: float = 0.03
    misfit: float = 0.012


@dataclass
class _Group:
    """A row of cells with its presses, ready for the search."""

    prints: Prints
    rows: slice
    gains: slice
    heads: list[tuple[int, slice]]
    """Presses of each head, which stand together."""
    y: FloatArray
    base_var: FloatArray
    use: FloatArray
    saturated: BoolArray


@dataclass
class _State:
    """Where the search is, k nodes of the mean delivery."""

    t: FloatArray
    """(k, n, m): nodes of the presses' contacts."""
    own: FloatArray
    """(3, k, n, m)."""
    shared: FloatArray
    """(k, size)."""
    lam: FloatArray
    cost: FloatArray
    """(k,): less the log of the marginal likelihood and prior."""


@dataclass(frozen=True)
class SharedPosterior:
    """One normal of the shared vector at each node of the mean delivery."""

    delivery_mm: FloatArray
    log_weight: FloatArray
    contact_mm: FloatArray
    """(k, heads)."""
    tangent_mm: FloatArray
    """(k, heads): slope of the sole there, times its camber."""
    covariance: FloatArray
    """(k, 2 heads, 2 heads): of contacts, then of tangents."""
    press_t: FloatArray
    """(k, n)."""
    press_t_u: FloatArray
    press_v: FloatArray
    press_cost: FloatArray
    own_var: FloatArray
    """(k, heads): of a head's contact with all that is shared held."""
    scatter_mm: float
    contact_scatter_mm: float
    noise: float
    shared: FloatArray = field(repr=False)
    odd: BoolArray = field(repr=False)
    """(n,): cells do not look like a sole's; such a press counts for nothing."""
    ends: FloatArray = field(repr=False)
    """(2, n): depth of press where the middle part ends, as a part of the greatest."""


class Joint:
    """The search."""

    def __init__(
        self,
        prints: Sequence[Prints],
        places: Places | None,
        heads: Sequence[HeadShape],
        priors: Priors | None = None,
    ) -> None:
        self.priors = p = priors or Priors()
        self.heads = list(heads)
        self.nh = len(heads)
        self.places = places
        self.base = self.nh * HEAD
        self.warps = self.base + SESSION
        self.size = self.warps + DESIGNS * WARPS
        self.groups: list[_Group] = []
        first = 0
        for one in prints:
            n = len(one.counts)
            missing = ~np.isfinite(one.variance)
            y = np.where(missing, 0.0, one.counts)
            peak = np.maximum(y.max(axis=1, keepdims=True), 1e-9)
            many = np.bincount(one.head, minlength=self.nh)[one.head][:, None]
            part = p.peak_noise**2 + many * p.misfit**2
            var = np.where(missing, 1.0, one.variance) + part * peak**2
            saturated = np.asarray(one.saturated, bool)
            heads_at = []
            for j in np.unique(one.head):
                mine = np.flatnonzero(one.head == j)
                if mine[-1] - mine[0] + 1 != len(mine):
                    raise ValueError("presses of a head must stand together")
                heads_at.append((int(j), slice(int(mine[0]), int(mine[-1]) + 1)))
            gains = slice(self.size, self.size + y.shape[1])
            self.groups.append(
                _Group(
                    one, slice(first, first + n), gains, heads_at, y, var, 1.0 - missing, saturated
                )
            )
            self.size = gains.stop
            first += n
        self.n = first
        self.odd = np.zeros(first, bool)
        self.head = np.concatenate([np.zeros(0, int)] + [g.prints.head for g in self.groups])
        self.address = np.concatenate(
            [np.zeros(0)] + [np.full(len(g.y), g.prints.address_mm) for g in self.groups]
        )
        self.local_of = [
            np.concatenate(
                [
                    j * HEAD + np.arange(HEAD),
                    self.base + np.arange(SESSION - 1),
                    self.warps + (one.family > 0) * WARPS + np.arange(WARPS),
                ]
            )
            for j, one in enumerate(heads)
        ]
        self.local_at = np.array(self.local_of)[self.head]
        self.mean, self.precision = self._shared_prior()
        self.s_c, self.s_t, self.noise = p.scatter_mm, p.contact_scatter_mm, 1.0
        self.log_h0 = np.array(
            [0.5 * np.log(2 * self.heads[j].camber_mm * p.depth_mm) for j in self.head]
        )

    def _shared_prior(self) -> tuple[FloatArray, FloatArray]:
        p, nh = self.priors, self.nh
        mean = np.zeros(self.size)
        cov = np.zeros((self.size, self.size))
        own = np.arange(nh) * HEAD
        cov[own + H_T, own + H_T] = _FREE_T_MM**2
        cov[own + H_ETA, own + H_ETA] = p.head_delivery_u_mm**2
        cov[own + H_MIDDLE, own + H_MIDDLE] = p.middle_u_mm**2
        family = np.array([h.family for h in self.heads])
        same = np.where(family[:, None] == family, p.alike, p.alike / 2)
        np.fill_diagonal(same, 1.0)
        camber = np.array([h.camber_mm for h in self.heads])
        edge = np.log(p.edge_radius_mm / camber)
        alike: list[tuple[int, float | FloatArray, float]] = [
            (H_HEEL, p.ground_mm, p.ground_u_mm),
            (H_TOE, p.ground_mm, p.ground_u_mm),
            (H_EDGE_HEEL, edge, p.edge_log_u),
            (H_EDGE_TOE, edge, p.edge_log_u),
            *((H_CURVE + i, p.curves[i], p.curves_u[i]) for i in range(CURVES)),
        ]
        for what, value, u in alike:
            mean[own + what] = value
            cov[np.ix_(own + what, own + what)] = u**2 * same
        mean[own + H_HALF] = [h.half_length_mm for h in self.heads]
        cov[own + H_HALF, own + H_HALF] = [h.half_length_u_mm**2 for h in self.heads]
        for what, value, u in (
            (S_POWER, p.power, p.power_u),
            (S_SHARE, p.share, p.share_u),
            (S_REACH, np.log(p.reach_mm), p.reach_log_u),
            (S_HANG, np.log(p.hang_mm), p.hang_log_u),
            (S_OUTWARD, 0.0, p.outward_u_mm),
            (S_ASIDE, 0.0, p.aside_u_mm),
            (S_MARKS, 0.0, p.marks_u_mm),
        ):
            mean[self.base + what] = value
            cov[self.base + what, self.base + what] = u**2
        between = np.where(np.eye(DESIGNS) > 0, 1.0, p.alike / 2)
        at = self.warps + np.arange(DESIGNS * WARPS)
        cov[np.ix_(at, at)] = p.warp_u**2 * np.kron(between, np.eye(WARPS))
        for g in self.groups:
            at = np.arange(g.gains.start, g.gains.stop)
            cov[at, at] = g.prints.shared_gain_u**2 + 1e-6
        return mean, np.asarray(np.linalg.inv(cov))

    # -- one evaluation ---------------------------------------------------------------------------

    def _theta(self, t: FloatArray, own: FloatArray, shared: FloatArray, rows: slice) -> FloatArray:
        """Unknowns of the presses ``rows``, (SIZE, k, n * m)."""
        k, _, m = t.shape
        head = self.head[rows]
        out = np.empty((SIZE, k, len(head), m), np.float32)
        out[T] = t[:, rows]
        for column, values in zip(OWN, own, strict=True):
            out[column] = values[:, rows]
        heads = shared[:, : self.base].reshape(k, self.nh, HEAD)
        for column, what in (
            (HEEL, H_HEEL),
            (TOE, H_TOE),
            (HALF, H_HALF),
            (EDGE_HEEL, H_EDGE_HEEL),
            (EDGE_TOE, H_EDGE_TOE),
            *zip(range(CURVE, CURVE + CURVES), range(H_CURVE, HEAD), strict=True),
        ):
            out[column] = heads[:, head, what][..., None]
        session = shared[:, self.base :]
        for column, what in (
            (POWER, S_POWER),
            (SHARE, S_SHARE),
            (REACH, S_REACH),
            (HANG, S_HANG),
            (OUTWARD, S_OUTWARD),
        ):
            out[column] = session[:, what, None, None]
        out[ASIDE] = (session[:, S_ASIDE, None] + heads[:, head, H_MIDDLE])[..., None]
        warps = shared[:, self.local_at[rows][:, -WARPS:]]
        out[WARP:] = np.moveaxis(warps, -1, 0)[..., None]
        return np.asarray(out.reshape(SIZE, k, -1))

    def _misfit(
        self, g: _Group, counts: FloatArray, m: int
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Residuals (data less model), weights over variance, cost; counts (k, n, m, cells)."""
        y, use = g.y[:, None], g.use[:, None]
        r = y - counts
        # Above full scale the reading is a lower limit.
        if g.saturated.any():
            r = np.where(g.saturated[:, None] & np.asarray(r < 0), 0.0, r)
        var = (g.base_var + (g.prints.gain_u * g.y) ** 2)[:, None] * self.noise**2
        z2 = r * r / var
        nu = _DOF_CELLS
        w = use * (nu + 1) / (nu + z2) / var
        cost = 0.5 * (nu + 1) * (use * np.log1p(z2 / nu)).sum(axis=-1)
        return r, w, cost

    def _swing(
        self, t: FloatArray, c: FloatArray, shared: FloatArray, nodes: FloatArray
    ) -> tuple[FloatArray, ...]:
        """Residuals, weights and cost of contacts about the club's and places about the aim."""
        heads = shared[:, : self.base].reshape(len(shared), self.nh, HEAD)
        r_t = t - heads[:, self.head, H_T][..., None]
        about = self.address + nodes[:, None] + heads[:, self.head, H_ETA]
        r_c = c - about[..., None]
        nu = _DOF_SWING
        z_t, z_c = (r_t / self.s_t) ** 2, (r_c / self.s_c) ** 2
        w_t = (nu + 1) / (nu + z_t) / self.s_t**2
        w_c = (nu + 1) / (nu + z_c) / self.s_c**2
        cost = 0.5 * (nu + 1) * (np.log1p(z_t / nu) + np.log1p(z_c / nu))
        return r_t, r_c, w_t, w_c, cost

    def _evaluate(self, nodes: FloatArray, s: _State) -> _Normal:
        """Cost, gradient and Hessian of what is shared, and each press's own steps."""
        k, n, m = s.t.shape
        r_t, r_c, w_t, w_c, cost = self._swing(s.t, s.own[1], s.shared, nodes)
        u_h = self.priors.depth_log_u
        off = s.own[2] - self.log_h0[:, None]
        cost = cost + 0.5 * (off / u_h) ** 2
        g_own = np.zeros((k, n, m, 3))
        h_own = np.zeros((k, n, m, 3, 3))
        g_own[..., 2] = off / u_h**2
        h_own[..., 2, 2] = 1 / u_h**2
        h_own[..., 0, 0] = 1e-4
        g_own[..., 1] = w_c * r_c
        h_own[..., 1, 1] = w_c
        seen = []
        for g in self.groups:
            rows = g.rows
            counts, by = read_press(self._theta(s.t, s.own, s.shared, rows), g.prints.cells)
            shape = (k, len(g.y), m, counts.shape[-1])
            gain = (1 + s.shared[:, g.gains]).astype(np.float32)[:, None, None, :]
            counts = counts.reshape(shape)
            r, w, misfit = self._misfit(g, counts * gain, m)
            r, w = r.astype(np.float32), w.astype(np.float32)
            cost[:, rows] += misfit
            by = by.reshape(SIZE, *shape) * gain
            own = np.stack([by[i] for i in OWN], axis=-2)
            jw = own * w[..., None, :]
            g_own[:, rows] -= (jw @ r[..., None])[..., 0]
            h_own[:, rows] += jw @ np.swapaxes(own, -1, -2)
            seen.append((counts, by, r, w, jw))
        inverse = np.asarray(np.linalg.inv(h_own))
        own_step = -(inverse @ g_own[..., None])[..., 0]
        cost = cost + 0.5 * (g_own * own_step).sum(axis=-1)
        cost -= 0.5 * np.linalg.slogdet(inverse)[1]
        marginal = np.log(np.gradient(s.t, axis=-1)) - cost
        extra = self._places(self.places, nodes, s, marginal) if self.places is not None else None
        if extra is not None:
            marginal = extra.marginal
        top = marginal.max(axis=-1, keepdims=True)
        share = np.exp(marginal - top)
        total = share.sum(axis=-1, keepdims=True)
        share /= total
        off_s = s.shared - self.mean
        grad = off_s @ self.precision
        cost_k = -(top[..., 0] + np.log(total[..., 0])).sum(axis=1)
        cost_k = cost_k + 0.5 * np.einsum("ki,ki->k", grad, off_s)
        hess = np.repeat(self.precision[None], k, axis=0)
        em, info = hess.copy(), hess.copy()
        root = np.sqrt(share)
        # inverse = low low', so that cross' inverse cross = (low' cross)' (low' cross).
        low = np.swapaxes(np.linalg.cholesky(inverse), -1, -2)
        y = (low @ g_own[..., None])[..., 0]
        crosses, follows = [], []
        for g, (counts, by, r, w, jw) in zip(self.groups, seen, strict=True):
            cells = counts.shape[-1]
            loc = LOCAL + cells
            cross_all = np.zeros((k, len(g.y), m, 3, loc), np.float32)
            follow_all = np.zeros((k, len(g.y), loc))
            for j, at_rows in g.heads:
                nj = at_rows.stop - at_rows.start
                rows = slice(g.rows.start + at_rows.start, g.rows.start + at_rows.stop)
                wide = nj * m * cells
                jac = np.stack([by[i][:, at_rows].reshape(k, wide) for i in _SHARED], axis=1)
                wr, rr, cc = w[:, at_rows], r[:, at_rows], counts[:, at_rows]
                jac_w = (jac * wr.reshape(k, 1, wide)).reshape(k, len(_SHARED), nj, m, cells)
                part = share[:, rows].astype(np.float32)
                shared_w = jac_w * part[:, None, :, :, None]
                flat = shared_w.reshape(k, len(_SHARED), wide)
                block = np.zeros((k, loc, loc))
                block[:, H_HEEL:LOCAL, H_HEEL:LOCAL] = flat @ np.swapaxes(jac, 1, 2)
                side = np.einsum("kpnmc,knmc->kpc", shared_w, cc)
                block[:, H_HEEL:LOCAL, LOCAL:] = side
                block[:, LOCAL:, H_HEEL:LOCAL] = np.swapaxes(side, 1, 2)
                d = np.arange(LOCAL, loc)
                wcc = wr * cc
                block[:, d, d] = np.einsum("knm,knmc->kc", part, wcc * cc)
                cross = cross_all[:, at_rows]
                cross[..., 1, H_ETA] = -w_c[:, rows]
                cross[..., H_HEEL:LOCAL] = jw[:, at_rows] @ np.moveaxis(
                    jac.reshape(k, len(_SHARED), nj, m, cells), 1, -1
                )
                cross[..., LOCAL:] = jw[:, at_rows] * cc[..., None, :]
                x = low[:, rows].astype(np.float32) @ cross
                slope = np.empty((k, nj, m, loc))
                slope[..., H_T] = -(w_t * r_t)[:, rows]
                slope[..., H_ETA] = -(w_c * r_c)[:, rows]
                slope[..., H_HEEL:LOCAL] = -np.einsum("kpnmc,knmc->knmp", jac_w, rr)
                slope[..., LOCAL:] = -wcc * rr
                slope -= (np.swapaxes(x, -1, -2) @ y[:, rows][..., None])[..., 0]
                weighted = (x * root[:, rows][..., None, None].astype(np.float32)).reshape(
                    k, nj * m * 3, loc
                )
                block -= np.swapaxes(weighted, 1, 2) @ weighted
                before = block.copy()
                told = block.copy()
                for what, w_s, r_s in ((H_T, w_t, r_t), (H_ETA, w_c, r_c)):
                    w_s, r_s = w_s[:, rows], r_s[:, rows]
                    before[:, what, what] += (part * w_s).sum(axis=(1, 2))
                    # Of the Student density itself: w - 2 w^2 r^2 / (nu + 1).
                    exact = w_s - 2 * (w_s * r_s) ** 2 / (_DOF_SWING + 1)
                    told[:, what, what] += (part * exact).sum(axis=(1, 2))
                block = before.copy()
                mean = np.einsum("knm,knml->knl", part, slope)
                spread = ((slope - mean[:, :, None]) * root[:, rows][..., None]).reshape(
                    k, nj * m, loc
                )
                missing = np.swapaxes(spread, 1, 2) @ spread
                block -= missing
                told -= missing
                # How the mean of a press's contact follows what is shared.
                away = s.t[:, rows] - (share[:, rows] * s.t[:, rows]).sum(axis=-1, keepdims=True)
                follow_all[:, at_rows] = -np.einsum("knm,knml->knl", share[:, rows] * away, slope)
                at = np.concatenate([self.local_of[j], np.arange(g.gains.start, g.gains.stop)])
                grad[:, at] += mean.sum(axis=1)
                hess[:, at[:, None], at] += block
                em[:, at[:, None], at] += before
                info[:, at[:, None], at] += told
            crosses.append(cross_all)
            follows.append(follow_all)
        if extra is not None:
            grad, hess, cost_k = grad + extra.grad, hess + extra.hess, cost_k + extra.cost
            em, info = em + extra.hess, info + _TOLD * extra.hess
        return _Normal(
            cost_k, grad, hess, em, info, share, own_step, inverse, crosses, follows, cost
        )

    def _contact_move(self, normal: _Normal, move: FloatArray) -> FloatArray:
        """How the presses' contacts follow what is shared, (k, n)."""
        out = np.zeros(normal.share.shape[:2])
        for g, follow in zip(self.groups, normal.follows, strict=True):
            local = np.concatenate(
                [
                    move[:, self.local_at[g.rows]],
                    np.repeat(move[:, None, g.gains], len(g.y), axis=1),
                ],
                axis=-1,
            )
            out[:, g.rows] = (follow * local).sum(axis=-1)
        return np.clip(out, -5, 5)

    def _own_move(self, normal: _Normal, move: FloatArray) -> FloatArray:
        """How the presses' own unknowns follow what is shared, (k, n, m, 3)."""
        step = normal.own_step.copy()
        for g, cross in zip(self.groups, normal.crosses, strict=True):
            local = np.concatenate(
                [
                    move[:, self.local_at[g.rows]],
                    np.repeat(move[:, None, g.gains], len(g.y), axis=1),
                ],
                axis=-1,
            )
            by = (cross @ local[:, :, None, :, None].astype(np.float32))[..., 0]
            step[:, g.rows] -= (normal.inverse[:, g.rows] @ by[..., None])[..., 0]
        return step

    def _places(self, q: Places, nodes: FloatArray, s: _State, marginal: FloatArray) -> _Extra:
        k = len(nodes)
        heads = s.shared[:, : self.base].reshape(k, self.nh, HEAD)
        common = s.shared[:, self.base + S_MARKS]
        out = _Extra(
            marginal, np.zeros((k, self.size)), np.zeros((k, self.size, self.size)), np.zeros(k)
        )
        nu = _DOF_SWING
        at_marks = self.base + S_MARKS
        for i in range(len(q.value_mm)):
            j, value, u = int(q.head[i]), q.value_mm[i], q.u_mm[i]
            if q.is_mark[i] and q.audits[i] >= 0:
                p = int(q.audits[i])
                var = u * u
                r = value - s.t[:, p] - common[:, None]
                before = out.marginal[:, p]
                out.marginal = out.marginal.copy()
                out.marginal[:, p] = before - 0.5 * (nu + 1) * np.log1p(r * r / var / nu)
                share = np.exp(out.marginal[:, p] - out.marginal[:, p].max(-1, keepdims=True))
                share /= share.sum(-1, keepdims=True)
                w = (nu + 1) / (nu + r * r / var) / var
                g = -(w * r)
                mean = (share * g).sum(-1)
                out.grad[:, at_marks] += mean
                out.hess[:, at_marks, at_marks] += np.maximum(
                    (share * w).sum(-1) - (share * (g - mean[:, None]) ** 2).sum(-1), 0.0
                )
                continue
            at = [j * HEAD + H_T]
            if q.is_mark[i]:
                r = value - heads[:, j, H_T] - common
                var = u * u + self.s_t**2
                at.append(at_marks)
            else:
                r = value - heads[:, j, H_T] - nodes - heads[:, j, H_ETA]
                var = u * u + self.s_t**2 + self.s_c**2
                at.append(j * HEAD + H_ETA)
            w = (nu + 1) / (nu + r * r / var) / var
            out.cost += 0.5 * (nu + 1) * np.log1p(r * r / var / nu)
            for a in at:
                out.grad[:, a] -= w * r
                for b in at:
                    out.hess[:, a, b] += w
        return out

    # -- search -----------------------------------------------------------------------------------

    def fit(self) -> SharedPosterior:
        """Search, and walk along the mean delivery."""
        # A step too far gives no number, is seen by that, and not taken.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            return self._fit()

    def _fit(self) -> SharedPosterior:
        p = self.priors
        coarse = (
            np.arange(-16.0, 16.1, 8.0) if p.delivery_u_mm > 1 else np.array([0.0])
        ) + p.delivery_mm
        state = self._start(coarse)
        # Far from the answer most cells look like outliers: with the noise taken for greater at
        # first, the search goes straight there (graduated: Blake and Zisserman, Visual
        # Reconstruction, 1987).
        for self.noise, steps in ((5.0, 2), (2.5, 2), (1.5, 2)):
            state, normal = self._search(coarse, state, steps, place=steps)
        self.noise = 1.0
        self._scales(coarse, state, normal)
        state, normal = self._search(coarse, state, 2, place=2)
        self._scales(coarse, state, normal)
        best = int(np.argmax(self._evidence(coarse, normal)))
        nodes, states = self._outward(float(coarse[best]), _picked(state, best))
        # The walk may stay on one of several hills: those seen from afar count beside it.
        apart = 0.7 * float(np.median(np.diff(nodes))) if len(nodes) > 1 else 1.0
        far = [i for i, at in enumerate(coarse) if np.abs(nodes - at).min() > apart]
        if far:
            state, _ = self._search(coarse, state, 2, place=2)
            order = np.argsort(np.concatenate([nodes, coarse[far]]))
            nodes = np.concatenate([nodes, coarse[far]])[order]
            for i in far:
                states = _joined(states, _picked(state, i))
            states = _State(
                states.t[order],
                states.own[:, order],
                states.shared[order],
                states.lam[order],
                states.cost[order],
            )
        return self._answer(nodes, states)

    def _outward(self, at: float, s: _State) -> tuple[FloatArray, _State]:
        """Walk from the best node outward both ways, each node from the one before."""
        node = np.array([at])
        for _ in range(CENTRE):
            s, normal = self._search(node, s, 3, place=2)
            self._scales(node, s, normal)
            follow = self._response(node, s, normal)
            # Newton along the delivery itself.
            slope, curve = self._along_delivery(node, s, normal, follow)
            step = float(np.clip(-slope / max(curve, 0.05), -4.0, 4.0))
            there, moved = self._moved(node, s, normal, follow, np.array([step]))
            moved, _ = self._search(there, moved, 2, place=1)
            if self._price(there, moved) < self._price(node, s) + 1.0:
                node, s = there, moved
        s, normal = self._search(node, s, 4, place=2)
        follow = self._response(node, s, normal)
        _, curve = self._along_delivery(node, s, normal, follow)
        sd = float(np.clip(1 / np.sqrt(max(curve, 1e-3)), 1.0, 2.5))
        nodes, found = [float(node[0])], [s]
        evidence = [-self._price(node, s)]
        pair, low = np.repeat(node, 2), 0
        both = _joined(s, s)
        normal = self._evaluate(pair, both)
        follow = np.repeat(follow, 2, axis=0)
        for _ in range(OUT):
            pair, both = self._moved(pair, both, normal, follow, STEP * sd * np.array([-1.0, 1.0]))
            before = both.shared
            both, normal = self._search(pair, both, 3, place=1)
            # Where the answer went elsewhere, what follows goes there too.
            follow = follow + (both.shared - before) / (STEP * sd) * np.array([[-0.5], [0.5]])
            value = np.array([-self._price(pair[i : i + 1], _picked(both, i)) for i in (0, 1)])
            for side in range(2):
                nodes.append(float(pair[side]))
                found.append(_picked(both, side))
                evidence.append(float(value[side]))
            low = low + 1 if (value < max(evidence) - 4.0).all() else 0
            if low == 2:
                break
        order = np.argsort(nodes)
        states = found[order[0]]
        for i in order[1:]:
            states = _joined(states, found[i])
        return np.array(nodes)[order], states

    def _price(self, nodes: FloatArray, s: _State) -> float:
        p = self.priors
        return float(s.cost[0] + 0.5 * ((nodes[0] - p.delivery_mm) / p.delivery_u_mm) ** 2)

    def _response(self, nodes: FloatArray, s: _State, normal: _Normal) -> FloatArray:
        """How what is shared follows the mean delivery, (k, size)."""
        shift = 0.2
        other = self._evaluate(nodes + shift, s)
        by = (other.grad - normal.grad) / shift
        hess = self._positive(normal.em, normal.hess, 0.1)
        return np.asarray(-np.linalg.solve(hess, by[..., None])[..., 0])

    def _along_delivery(
        self, nodes: FloatArray, s: _State, normal: _Normal, follow: FloatArray
    ) -> tuple[float, float]:
        """Slope and curvature of the cost along the delivery, the rest following."""
        shift = 0.2
        p = self.priors
        up, down = (self._evaluate(nodes + d, s) for d in (shift, -shift))
        slope = float((up.cost - down.cost)[0]) / (2 * shift)
        curve = float((up.cost + down.cost - 2 * normal.cost)[0]) / shift**2
        by = (up.grad - down.grad)[0] / (2 * shift)
        slope += float(normal.grad[0] @ follow[0])
        curve += float(by @ follow[0])
        off = (nodes[0] - p.delivery_mm) / p.delivery_u_mm**2
        return slope + float(off), curve + 1 / p.delivery_u_mm**2

    def _moved(
        self,
        nodes: FloatArray,
        s: _State,
        normal: _Normal,
        follow: FloatArray,
        step: FloatArray,
    ) -> tuple[FloatArray, _State]:
        """Take the state elsewhere: as Newton foretells, or all contacts the other way."""
        k = len(nodes)
        heads = np.arange(self.nh) * HEAD + H_T
        found = []
        plain = np.zeros_like(follow)
        plain[:, heads] = -1.0
        for way in (follow, plain):
            move = np.clip(way * step[:, None], -2 * self._limits(), 2 * self._limits())
            shared = s.shared + move
            at = self.base + S_SHARE
            shared[:, at] = np.clip(shared[:, at], 0.0, 0.6)
            own = s.own
            if way is follow:
                own = own + np.moveaxis(np.clip(self._own_move(normal, move), -3, 3), -1, 0)
            t, own = _replace(s.t, own, normal.share, move[:, heads][:, self.head])
            one = _State(t, own, shared, np.full(k, 1e-3), np.full(k, np.inf))
            found.append((one, self._evaluate(nodes + step, one).cost))
            if way is follow and (found[0][1] < s.cost + 6.0).all():
                return nodes + step, one
        (a, cost_a), (b, cost_b) = found
        return nodes + step, _chosen(np.asarray(cost_a <= cost_b), a, b)

    def _search(
        self, nodes: FloatArray, s: _State, steps: int, place: int
    ) -> tuple[_State, _Normal]:
        normal = self._evaluate(nodes, s)
        kept = _State(s.t, s.own, s.shared, s.lam, normal.cost)
        for i in range(steps):
            move = self._newton(normal, kept.lam)
            move = np.clip(move, -self._limits(), self._limits())
            shared = kept.shared + move
            at = self.base + S_SHARE
            shared[:, at] = np.clip(shared[:, at], 0.0, 0.6)
            move = shared - kept.shared
            step = self._own_move(normal, move)
            step = np.clip(step, [-0.5, -5, -0.25], [0.5, 5, 0.25])
            own = kept.own + np.moveaxis(step, -1, 0)
            t = kept.t
            if i < place:
                t, own = _replace(t, own, normal.share, self._contact_move(normal, move))
            new = _State(t, own, shared, kept.lam, kept.cost)
            found = self._evaluate(nodes, new)
            # Where nodes moved, costs are not to be compared but roughly.
            better = found.cost < kept.cost + (3.0 if i < place else 1e-6)
            lam = np.where(better, kept.lam / 5, np.maximum(kept.lam, 1e-2) * 10)
            kept = _State(
                np.where(better[:, None, None], new.t, kept.t),
                np.where(better[None, :, None, None], new.own, kept.own),
                np.where(better[:, None], new.shared, kept.shared),
                lam,
                np.where(better, found.cost, kept.cost),
            )
            normal = normal.where(better, found)
        return kept, normal

    def _newton(self, normal: _Normal, lam: FloatArray) -> FloatArray:
        """Newton's step; where the sum over contacts curves the wrong way, a shorter one of EM."""
        d = np.arange(self.size)
        out = np.empty_like(normal.grad)
        for i, (em, hess, grad) in enumerate(zip(normal.em, normal.hess, normal.grad, strict=True)):
            em = em.copy()
            em[d, d] *= 1 + lam[i]
            try:
                out[i] = -cho_solve(cho_factor(hess + lam[i] * em), grad)
            except np.linalg.LinAlgError:
                inv = np.linalg.inv(np.linalg.cholesky(em))
                inside = inv @ hess @ inv.T
                value, vector = np.linalg.eigh((inside + inside.T) / 2)
                value = np.maximum(np.abs(value), 0.02) + lam[i]
                out[i] = -(inv.T @ (vector @ ((vector.T @ (inv @ grad)) / value)))
        return out

    def _limits(self) -> FloatArray:
        limit = np.full(self.size, 0.5)
        heads = np.arange(self.nh) * HEAD
        for what, most in (
            (H_T, 8.0),
            (H_ETA, 3.0),
            (H_HALF, 2.0),
            (H_MIDDLE, 1.0),
            (H_HEEL, 4.0),
            (H_TOE, 4.0),
        ):
            limit[heads + what] = most
        for what in (S_OUTWARD, S_ASIDE, S_MARKS):
            limit[self.base + what] = 1.0
        return limit

    def _start(self, nodes: FloatArray) -> _State:
        """Each press by itself at places of its contact, then those that the aim allows."""
        k = len(nodes)
        places = np.arange(-36.0, 36.1, 4.0)
        m = len(places)
        own = np.empty((3, 1, self.n, m))
        t = np.broadcast_to(places, (1, self.n, m)).copy()
        shared = self.mean[None]
        cost = np.zeros((self.n, m))
        for g in self.groups:
            own[:, 0, g.rows] = _by_eye(g, places)
            log_h0 = self.log_h0[g.rows][:, None]
            for i in range(7):
                theta = self._theta(t, own, shared, g.rows)
                counts, by = read_press(theta, g.prints.cells, 4)
                shape = (len(g.y), m, counts.shape[-1])
                r, w, part = self._misfit(g, counts.reshape(shape), m)
                off = own[2, 0, g.rows] - log_h0
                cost[g.rows] = part + 0.5 * off**2
                if i == 6:
                    break
                jac = np.stack([by[c].reshape(shape) for c in OWN], axis=-2).astype(float)
                jw = jac * w[..., None, :]
                normal = jw @ np.swapaxes(jac, -1, -2)
                right = (jw @ r[..., None])[..., 0]
                normal[..., 2, 2] += 1
                right[..., 2] -= off
                d = np.arange(3)
                normal[..., d, d] *= 1 + 1e-3
                step = np.linalg.solve(normal + 1e-9 * np.eye(3), right[..., None])[..., 0]
                step = np.clip(step, [-0.5, -6, -0.3], [0.5, 6, 0.3])
                own[:, 0, g.rows] += np.moveaxis(step, -1, 0)
        self._set_odd_aside(cost)
        shared = np.repeat(shared, k, axis=0)
        nu = _DOF_SWING
        z = (own[1] - self.address[:, None] - nodes[:, None, None]) / (1.2 * self.s_c)
        price = cost + 0.5 * (nu + 1) * np.log1p(z * z / nu) + 0.5 * (t / 15.0) ** 2
        share = np.exp(price.min(-1, keepdims=True) - price)
        share /= share.sum(-1, keepdims=True)
        mean = (share * t).sum(-1)
        for j in range(self.nh):
            mine = self.head == j
            if mine.any():
                shared[:, j * HEAD + H_T] = np.median(mean[:, mine], axis=1)
        sd = np.sqrt((share * (t - mean[..., None]) ** 2).sum(-1))
        about = mean[..., None] + np.clip(sd, 1.2, 4.0)[..., None] * _Z
        return _State(
            about,
            _along(t, own, about),
            shared,
            np.full(k, 1e-2),
            np.full(k, np.inf),
        )

    def _set_odd_aside(self, cost: FloatArray) -> None:
        """Leave out presses that no sole makes: far worse than most, and than noise alone."""
        for g in self.groups:
            cells = np.maximum(g.use.sum(axis=1), 1)
            misfit = cost[g.rows].min(axis=1) / cells
            self.odd[g.rows] = misfit > np.maximum(_ODD, 3 * np.median(misfit))
            g.use = g.use * ~self.odd[g.rows][:, None]

    def _scales(self, nodes: FloatArray, s: _State, normal: _Normal) -> None:
        """Scatter of swings and size of the noise, by expectation at the best node."""
        p = self.priors
        off = (nodes - p.delivery_mm) / p.delivery_u_mm
        best = int(np.argmin(s.cost + 0.5 * off**2))
        pick = slice(best, best + 1)
        t, own, shared = s.t[pick], s.own[:, pick], s.shared[pick]
        share = normal.share[best]
        r_t, r_c, w_t, w_c, _ = self._swing(t, own[1], shared, nodes[pick])
        believed = 12.0
        t2 = (share * (w_t * r_t**2)[0]).sum() * self.s_t**2 + believed * p.contact_scatter_mm**2
        c2 = (share * (w_c * r_c**2)[0]).sum() * self.s_c**2 + believed * p.scatter_mm**2
        more_t, more_c, n_t, n_c = self._scatter_of_places(nodes[pick], shared)
        self.s_t = float(np.sqrt((t2 + more_t) / (self.n + n_t + believed)))
        self.s_c = float(np.sqrt((c2 + more_c) / (self.n + n_c + believed)))
        total = count = 0.0
        m = t.shape[-1]
        for g in self.groups:
            counts, _ = read_press(self._theta(t, own, shared, g.rows), g.prints.cells, 1)
            counts = counts.reshape(len(g.y), m, -1)
            r, w, _ = self._misfit(g, counts * (1 + shared[0, g.gains]), m)
            on = (counts > 0.02 * counts.max(axis=-1, keepdims=True)) * g.use[:, None]
            at = share[g.rows][..., None]
            total += float((at * w * r * r * on).sum())
            count += float((at * on).sum()) - 4 * len(g.y)
        believed = 30.0
        factor = np.sqrt((total + believed) / (max(count, 0.0) + believed))
        self.noise = float(np.clip(self.noise * factor, LEAST_NOISE, 6.0))

    def _scatter_of_places(
        self, node: FloatArray, shared: FloatArray
    ) -> tuple[float, float, float, float]:
        """Return sums of squares of contacts and of places, and of how many swings each."""
        q = self.places
        if q is None:
            return 0.0, 0.0, 0.0, 0.0
        heads = shared[0, : self.base].reshape(self.nh, HEAD)
        out = np.zeros(4)
        for is_mark in (True, False):
            mine = (np.asarray(q.is_mark, bool) == is_mark) & (np.asarray(q.audits) < 0)
            if not mine.any():
                continue
            head = np.asarray(q.head, int)[mine]
            own = q.value_mm[mine] - heads[head, H_T]
            if is_mark:
                own = own - shared[0, self.base + S_MARKS]
                swing = self.s_t**2
            else:
                own = own - node[0] - heads[head, H_ETA]
                swing = self.s_t**2 + self.s_c**2
            var = q.u_mm[mine] ** 2 + swing
            z2 = own * own / var
            dof = float(mine.sum() - len(np.unique(head)))
            squares = float((((_DOF_SWING + 1) / (_DOF_SWING + z2)) * z2).sum())
            # What one would expect of swings with this scatter, by the ratio that was seen.
            part = dof * max(1 + (squares / max(dof, 1.0) - 1) * float((var / swing).mean()), 0.05)
            out[0] += part * self.s_t**2
            out[2] += dof
            if not is_mark:
                out[1] += part * self.s_c**2
                out[3] += dof
        return float(out[0]), float(out[1]), float(out[2]), float(out[3])

    def _evidence(self, nodes: FloatArray, normal: _Normal) -> FloatArray:
        p = self.priors
        prior = 0.5 * ((nodes - p.delivery_mm) / p.delivery_u_mm) ** 2
        _, logdet = np.linalg.slogdet(self._information(normal))
        return np.asarray(-(normal.cost + prior) - 0.5 * logdet)

    def _information(self, normal: _Normal) -> FloatArray:
        """Hessian of what is shared, of heavy-tailed swings, positive whatever a node says."""
        return self._positive(normal.em, normal.info, 0.02)

    @staticmethod
    def _positive(whole: FloatArray, hess: FloatArray, least: float) -> FloatArray:
        """Keep the Hessian from falling below this part of that with contacts known."""
        low = np.linalg.cholesky(whole)
        inv = np.linalg.inv(low)
        inside = inv @ hess @ np.swapaxes(inv, 1, 2)
        value, vector = np.linalg.eigh((inside + np.swapaxes(inside, 1, 2)) / 2)
        half = low @ vector
        return np.asarray((half * np.maximum(value, least)[:, None, :]) @ np.swapaxes(half, 1, 2))

    def _answer(self, nodes: FloatArray, s: _State) -> SharedPosterior:
        normal = self._evaluate(nodes, s)
        hess = self._information(normal)
        p = self.priors
        off = (nodes - p.delivery_mm) / p.delivery_u_mm
        along = _Along(nodes, -(normal.cost + 0.5 * off**2), np.linalg.slogdet(hess)[1])
        cov = np.asarray(np.linalg.inv(hess))
        heads = np.arange(self.nh) * HEAD
        contact = s.shared[:, heads + H_T]
        curves = np.stack([s.shared[:, heads + H_CURVE + i] for i in range(CURVES)])
        tangents, by_t, by_curves = tangent(contact, curves)
        jac = np.zeros((len(nodes), 2 * self.nh, self.size))
        d = np.arange(self.nh)
        jac[:, d, heads + H_T] = 1.0
        jac[:, self.nh + d, heads + H_T] = by_t
        for i in range(CURVES):
            jac[:, self.nh + d, heads + H_CURVE + i] = by_curves[i]
        own_var = 1 / np.maximum(hess[:, heads + H_T, heads + H_T] - 1 / _FREE_T_MM**2, 1e-12)
        mean = (normal.share * s.t).sum(-1)
        u = np.sqrt((normal.share * (s.t - mean[..., None]) ** 2).sum(-1))
        v = (normal.share * (s.t + s.own[1])).sum(-1)
        best = along.best
        ends = np.zeros((2, self.n))
        m = s.t.shape[-1]
        for g in self.groups:
            theta = self._theta(s.t, s.own, s.shared, g.rows)[:, best].reshape(SIZE, -1, m)
            ends[:, g.rows] = (_ends_in_print(theta) * normal.share[best, g.rows]).sum(-1)
        covariance = along.mean(jac @ cov @ np.swapaxes(jac, 1, 2))
        fine = along.fine
        return SharedPosterior(
            fine,
            along.log_weight,
            along.follow(contact),
            along.follow(tangents),
            np.repeat(covariance[None], len(fine), axis=0),
            along.follow(mean),
            np.repeat(np.sqrt(along.mean(u**2))[None], len(fine), axis=0),
            along.follow(v),
            along.mean(normal.cost_press.min(-1)),
            along.mean(own_var),
            self.s_c,
            self.s_t,
            self.noise,
            s.shared[best],
            self.odd,
            ends,
        )


class _Along:
    """What changes smoothly along the mean delivery, from nodes that are each a little off."""

    def __init__(self, nodes: FloatArray, price: FloatArray, logdet: FloatArray) -> None:
        self.best = int(np.argmax(price))
        self._nodes = nodes
        off = price - price.max()
        near = np.exp(0.5 * np.maximum(off, -10.0))
        x = nodes - nodes[self.best]
        if len(nodes) < 4:
            self.fine, self.log_weight = nodes, off
            self._near, self._x, self._fine_x = near, x, x
            return
        # Determinants of what contacts take away are noisy, and change slowly.
        line = np.polyfit(x, logdet, 1, w=np.sqrt(near))[0]
        y = off - 0.5 * line * x
        # A node that has not settled lies below, never above; and what is believed of the delivery
        # has one hill, cut off at most: the least log-concave curve that no node lies above.
        inside = off > -12.0
        inside[max(self.best - 1, 0) : self.best + 2] = True
        grid = np.linspace(x[inside][0], x[inside][-1], 201)
        log = _upper_hull(x[inside], y[inside], grid)
        w = np.exp(log - log.max())
        w /= w.sum()
        mean = float(w @ grid)
        sd = float(np.sqrt(w @ (grid - mean) ** 2))
        at = mean + sd * np.linspace(-2.7, 2.7, 9)
        self._near, self._x = near, x
        self._fine_x = np.clip(at, grid[0], grid[-1])
        self.fine = self._fine_x + nodes[self.best]
        log = np.interp(self._fine_x, grid, log)
        self.log_weight = log - log.max() - 1e3 * (np.abs(at - self._fine_x) > 1e-9)

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean over the nodes, by their weight."""
        w = self._near**2 / (self._near**2).sum()
        return np.asarray(np.tensordot(w, values, 1))

    def follow(self, values: FloatArray) -> FloatArray:
        """(k, n) at the fine nodes: quadratics through the nodes."""
        flat = values.reshape(len(values), -1)
        if len(values) < 4:
            return values
        x = np.vander(self._x, 3)
        trust = np.repeat(self._near[:, None], flat.shape[1], axis=1)
        for _ in range(3):
            normal = np.einsum("ki,kn,kj->nij", x, trust, x) + 1e-9 * np.eye(3)
            right = np.einsum("ki,kn,kn->ni", x, trust, flat)
            curve = np.linalg.solve(normal, right[..., None])[..., 0]
            left = flat - x @ curve.T
            trust = self._near[:, None] / (1 + (left / 0.5) ** 2)
        out = np.vander(self._fine_x, 3) @ curve.T
        return np.asarray(out.reshape(len(self.fine), *values.shape[1:]))


@dataclass
class _Extra:
    marginal: FloatArray
    grad: FloatArray
    hess: FloatArray
    cost: FloatArray


@dataclass(frozen=True)
class _Normal:
    cost: FloatArray
    grad: FloatArray
    hess: FloatArray
    em: FloatArray
    info: FloatArray
    share: FloatArray
    own_step: FloatArray
    inverse: FloatArray
    crosses: list[FloatArray]
    follows: list[FloatArray]
    cost_press: FloatArray

    def where(self, better: BoolArray, other: _Normal) -> _Normal:
        """At each node of the two the one that is better."""
        if better.all():
            return other

        def pick(a: FloatArray, b: FloatArray) -> FloatArray:
            return np.where(better.reshape(-1, *[1] * (a.ndim - 1)), b, a)

        return _Normal(
            pick(self.cost, other.cost),
            pick(self.grad, other.grad),
            pick(self.hess, other.hess),
            pick(self.em, other.em),
            pick(self.info, other.info),
            pick(self.share, other.share),
            pick(self.own_step, other.own_step),
            pick(self.inverse, other.inverse),
            [pick(a, b) for a, b in zip(self.crosses, other.crosses, strict=True)],
            [pick(a, b) for a, b in zip(self.follows, other.follows, strict=True)],
            pick(self.cost_press, other.cost_press),
        )


def _upper_hull(x: FloatArray, y: FloatArray, grid: FloatArray) -> FloatArray:
    """Least concave curve that no point lies above, at the places of the grid."""
    kept: list[int] = []
    for i in range(len(x)):
        while len(kept) > 1:
            a, b = kept[-2], kept[-1]
            if (y[b] - y[a]) * (x[i] - x[a]) > (y[i] - y[a]) * (x[b] - x[a]):
                break
            kept.pop()
        kept.append(i)
    return np.asarray(np.interp(grid, x[kept], y[kept]))


def _picked(s: _State, i: int) -> _State:
    """One of the nodes."""
    one = slice(i, i + 1)
    return _State(s.t[one], s.own[:, one], s.shared[one], s.lam[one], s.cost[one])


def _joined(a: _State, b: _State) -> _State:
    return _State(
        np.concatenate([a.t, b.t]),
        np.concatenate([a.own, b.own], axis=1),
        np.concatenate([a.shared, b.shared]),
        np.concatenate([a.lam, b.lam]),
        np.concatenate([a.cost, b.cost]),
    )


def _chosen(first: BoolArray, a: _State, b: _State) -> _State:
    """At each node one of two."""
    return _State(
        np.where(first[:, None, None], a.t, b.t),
        np.where(first[None, :, None, None], a.own, b.own),
        np.where(first[:, None], a.shared, b.shared),
        np.where(first, a.lam, b.lam),
        np.where(first, a.cost, b.cost),
    )


def lowest_points_mm(prints: Prints) -> FloatArray:
    """Where each press was deepest, on the board, player's side, (n,): each press by itself.

    However it is shared between lie and place, the strip saw this point.
    """
    one = Joint([replace(prints, head=np.zeros(len(prints.head), int))], None, [HeadShape()])
    state = one._start(np.array([0.0]))
    v = state.t[0] + state.own[1, 0]
    return np.asarray(np.median(v, axis=-1))


def _replace(
    t: FloatArray, own: FloatArray, share: FloatArray, move: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Put the nodes of each press's contact where it is by now."""
    mean = (share * t).sum(-1)
    sd = np.sqrt((share * (t - mean[..., None]) ** 2).sum(-1))
    mean = mean + move
    step = t[..., 1] - t[..., 0]
    sd = np.clip(np.maximum(sd, 0.45 * step), 0.15, 6.0)
    mean = np.clip(mean, -42, 42)
    about = mean[..., None] + sd[..., None] * _Z
    return about, _along(t, own, about)


def _along(t: FloatArray, own: FloatArray, about: FloatArray) -> FloatArray:
    """Own unknowns at other contacts, by straight lines; beyond the last node the place alone."""
    first, step = t[..., :1], t[..., 1:2] - t[..., :1]
    at = (about - first) / step
    inside = np.clip(at, 0, t.shape[-1] - 1.000001)
    low = inside.astype(int)
    part = inside - low
    k = about.shape[0]
    out = np.empty((3, *about.shape))
    for i in range(3):
        values = np.broadcast_to(own[i], (k, *own.shape[2:]))
        a = np.take_along_axis(values, np.broadcast_to(low, about.shape), axis=-1)
        b = np.take_along_axis(values, np.broadcast_to(low + 1, about.shape), axis=-1)
        out[i] = a + (b - a) * part
    # v = c + t stays.
    out[1] -= (at - inside) * step
    return out


def _ends_in_print(theta: FloatArray) -> FloatArray:
    out = np.empty((2, *theta.shape[1:]))
    h2 = np.exp(2 * theta[LOG_H])
    for side, (sign, column) in enumerate(((-1, HEEL), (1, TOE))):
        at = sign * (theta[HALF] - ground_off(theta[column])[0])
        out[side] = np.maximum(1 - (at - theta[T]) ** 2 / h2, 0)
    return out


def _by_eye(g: _Group, places: FloatArray) -> FloatArray:
    """Size, place and depth by the weight of the cells, for each contact: (3, n, m)."""
    y = np.maximum(g.y, 0)
    x = g.prints.cells.points.reshape(-1, 3)[:, 1]
    peak = y.max(axis=1)
    heavy = np.where(y > 0.3 * peak[:, None], y, 0)
    total = np.maximum(heavy.sum(axis=1), 1e-9)
    middle = (heavy * x).sum(axis=1) / total
    spread = np.sqrt(np.maximum((heavy * (x - middle[:, None]) ** 2).sum(axis=1) / total, 4.0))
    out = np.empty((3, len(y), len(places)))
    out[0] = np.log(np.maximum(peak, 1e-6))[:, None]
    out[1] = middle[:, None] - places
    out[2] = np.log(np.clip(2.1 * spread, 8, 60))[:, None]
    return out
