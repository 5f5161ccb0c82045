"""The most probable of what presses share, at each of several mean deliveries.

What is shared follows by Newton's method on the sum over contacts, at each node of a grid over the
mean delivery, and along a walk outward from the best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from analysis.conventions import FloatArray
from analysis.footprint.press import SIZE, read_press
from analysis.lie.answer import Findings, SharedPosterior, ends_in_print
from analysis.lie.model import (
    DOF_SWING,
    H_ETA,
    H_HALF,
    H_HEEL,
    H_MIDDLE,
    H_PRINT,
    H_T,
    H_TOE,
    HEAD,
    OWN,
    S_ASIDE,
    S_BEND,
    S_MARKS,
    S_OUTWARD,
    S_SHARE,
    BoolArray,
    Group,
    HeadShape,
    IntArray,
    Model,
    Normal,
    Prints,
    State,
)

# Noise stated is not believed to be less than this part of itself: what the model of a print gets
# wrong is in it, and repeats.
LEAST_NOISE = 0.9
CENTRE, OUT, STEP = 2, 8, 1.1
# A press costs its cells this much each, the noise as stated at first, where it is no sole's.
_ODD = 3.0
# Nodes this far below the best, in log, count for nothing.
_WORTH = 20.0
# Of standard deviations that a press more moves anything: all is fitted again.
_NEWS = 1.5
# Nodes of a press's contact, in its standard deviations: up to so many presses, more of them. What
# few nodes leave rough evens out over many presses.
_NODES = ((16, 3.2, 9), (40, 3.0, 7), (10**9, 2.6, 5))

_OfPresses = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]


class Joint(Model):
    """The search."""

    @property
    def together(self) -> int:
        """How many presses are fitted together, those of before counted."""
        return self.n + self.before

    usual: float | None = None
    """What a press costs its cells, the median; None until it was looked at."""

    def fit(self) -> SharedPosterior:
        """Search, and put what was found together."""
        return self.find().posterior()

    def find(self) -> Findings:
        """Search, and walk along the mean delivery."""
        # A step too far gives no number, is seen by that, and not taken.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            return self._fit()

    def _fit(self) -> Findings:
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
            states = State(
                states.t[order],
                states.own[:, order],
                states.shared[order],
                states.lam[order],
                states.cost[order],
            )
        off = (nodes - p.delivery_mm) / p.delivery_u_mm
        worse = states.cost + 0.5 * off**2
        # What counts for nothing, but for the few that a curve needs.
        kept = np.flatnonzero(worse <= max(worse.min() + _WORTH, np.sort(worse)[:5][-1]))
        return self._found(nodes[kept], _picked(states, kept))

    def _outward(self, at: float, s: State) -> tuple[FloatArray, State]:
        """Walk from the best node outward both ways, each node from the one before."""
        node = np.array([at])
        for _ in range(CENTRE):
            s, normal = self._search(node, s, 3, place=2)
            self._scales(node, s, normal)
            follow = self._response(node, s, normal)
            # Newton along the delivery itself.
            slope, curve = self._along_delivery(node, s, normal, follow)
            step = float(np.clip(-slope / max(curve, 0.05), -4.0, 4.0))
            there, moved, seen = self._moved(node, s, normal, follow, np.array([step]))
            moved, _ = self._search(there, moved, 2, 1, seen)
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
            way = STEP * sd * np.array([-1.0, 1.0])
            pair, both, normal = self._moved(pair, both, normal, follow, way)
            before = both.shared
            both, normal = self._search(pair, both, 3, 1, normal)
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

    def _price(self, nodes: FloatArray, s: State) -> float:
        p = self.priors
        return float(s.cost[0] + 0.5 * ((nodes[0] - p.delivery_mm) / p.delivery_u_mm) ** 2)

    def _response(self, nodes: FloatArray, s: State, normal: Normal) -> FloatArray:
        """How what is shared follows the mean delivery, (k, size)."""
        shift = 0.2
        other = self._evaluate(nodes + shift, s)
        by = (other.grad - normal.grad) / shift
        hess = self._positive(normal.em, normal.hess, 0.1)
        return np.asarray(-np.linalg.solve(hess, by[..., None])[..., 0])

    def _along_delivery(
        self, nodes: FloatArray, s: State, normal: Normal, follow: FloatArray
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
        s: State,
        normal: Normal,
        follow: FloatArray,
        step: FloatArray,
    ) -> tuple[FloatArray, State, Normal]:
        """Take the state elsewhere: as Newton foretells, or all contacts the other way."""
        k = len(nodes)
        heads = np.arange(self.nh) * HEAD + H_T
        found = []
        plain = np.zeros_like(follow)
        plain[:, heads] = -1.0
        for way in (follow, plain):
            move = np.clip(way * step[:, None], -2 * self._limits(), 2 * self._limits())
            shared = s.shared + move
            self._keep_inside(shared)
            own = s.own
            if way is follow:
                own = own + np.moveaxis(np.clip(self._own_move(normal, move), -3, 3), -1, 0)
            t, own = _replace(s.t, own, normal.share, move[:, heads][:, self.head])
            one = State(t, own, shared, np.full(k, 1e-3), np.full(k, np.inf))
            found.append((one, self._evaluate(nodes + step, one)))
            if way is follow and (found[0][1].cost < s.cost + 6.0).all():
                return nodes + step, *found[0]
        (a, of_a), (b, of_b) = found
        first = np.asarray(of_a.cost <= of_b.cost)
        return nodes + step, _chosen(first, a, b), of_a.where(~first, of_b)

    def _search(
        self,
        nodes: FloatArray,
        s: State,
        steps: int,
        place: int,
        normal: Normal | None = None,
    ) -> tuple[State, Normal]:
        """Take steps; ``normal`` is that of the state, if it is known."""
        if normal is None:
            normal = self._evaluate(nodes, s)
        kept = State(s.t, s.own, s.shared, s.lam, normal.cost)
        for i in range(steps):
            move = self._newton(normal, kept.lam)
            move = np.clip(move, -self._limits(), self._limits())
            shared = kept.shared + move
            self._keep_inside(shared)
            move = shared - kept.shared
            step = self._own_move(normal, move)
            step = np.clip(step, [-0.5, -5, -0.25], [0.5, 5, 0.25])
            own = kept.own + np.moveaxis(step, -1, 0)
            t = kept.t
            if i < place:
                t, own = _replace(t, own, normal.share, self._contact_move(normal, move))
            new = State(t, own, shared, kept.lam, kept.cost)
            found = self._evaluate(nodes, new)
            # Where nodes moved, costs are not to be compared but roughly.
            better = found.cost < kept.cost + (3.0 if i < place else 1e-6)
            lam = np.where(better, kept.lam / 5, np.maximum(kept.lam, 1e-2) * 10)
            kept = State(
                np.where(better[:, None, None], new.t, kept.t),
                np.where(better[None, :, None, None], new.own, kept.own),
                np.where(better[:, None], new.shared, kept.shared),
                lam,
                np.where(better, found.cost, kept.cost),
            )
            normal = normal.where(better, found)
        return kept, normal

    def _newton(self, normal: Normal, lam: FloatArray) -> FloatArray:
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

    def _keep_inside(self, shared: FloatArray) -> None:
        """Keep what cannot be negative, or all, from being so."""
        at = self.base + S_SHARE
        shared[:, at] = np.clip(shared[:, at], 0.0, 0.6)
        at = self.base + S_BEND
        shared[:, at] = np.maximum(shared[:, at], self.least_bend)

    def _limits(self) -> FloatArray:
        limit = np.full(self.size, 0.5)
        heads = np.arange(self.nh) * HEAD
        for what, most in (
            (H_T, 8.0),
            (H_ETA, 3.0),
            (H_PRINT, 2.0),
            (H_HALF, 2.0),
            (H_MIDDLE, 1.0),
            (H_HEEL, 4.0),
            (H_TOE, 4.0),
        ):
            limit[heads + what] = most
        for what in (S_OUTWARD, S_ASIDE, S_BEND, S_MARKS):
            limit[self.base + what] = 1.0
        return limit

    def _start(self, nodes: FloatArray, known: FloatArray | None = None) -> State:
        """Each press by itself at places of its contact, then those that the aim allows.

        ``known`` (nodes, size) is what is shared, where presses fitted before told it.
        """
        k = len(nodes)
        places = np.arange(-36.0, 36.1, 4.0)
        m = len(places)
        own = np.empty((3, 1, self.n, m))
        t = np.broadcast_to(places, (1, self.n, m)).copy()
        shared = self.mean[None] if known is None else known[len(known) // 2][None]
        cost = np.zeros((self.n, m))
        for g in self.groups:
            own[:, 0, g.rows] = _by_eye(g, places)
            log_h0 = self.log_h0[g.rows][:, None]
            for i in range(7):
                theta = self._theta(t, own, shared, g.rows)
                counts, by = read_press(theta, g.prints.cells, 4)
                shape = (len(g.y), m, counts.shape[-1])
                bent, slope, _ = self._bent(
                    g, counts.reshape(1, *shape), shared[:, self.base + S_BEND]
                )
                r, w, part = self._misfit(g, bent[0], m)
                off = own[2, 0, g.rows] - log_h0
                cost[g.rows] = part + 0.5 * off**2
                if i == 6:
                    break
                steep = np.broadcast_to(slope, (1, *shape))[0]
                jac = np.stack([by[c].reshape(shape) * steep for c in OWN], axis=-2).astype(float)
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
        nu = DOF_SWING
        z = (own[1] - self.address[:, None] - nodes[:, None, None]) / (1.2 * self.s_c)
        price = cost + 0.5 * (nu + 1) * np.log1p(z * z / nu)
        if known is None:
            price = price + 0.5 * (t / 15.0) ** 2
        else:
            z = (t - known[:, self.head * HEAD + H_T][..., None]) / (1.2 * self.s_t)
            price = price + 0.5 * (nu + 1) * np.log1p(z * z / nu)
        shared = np.repeat(shared, k, axis=0) if known is None else known.copy()
        share = np.exp(price.min(-1, keepdims=True) - price)
        share /= share.sum(-1, keepdims=True)
        mean = (share * t).sum(-1)
        for j in range(self.nh if known is None else 0):
            mine = self.head == j
            if mine.any():
                shared[:, j * HEAD + H_T] = np.median(mean[:, mine], axis=1)
        sd = np.sqrt((share * (t - mean[..., None]) ** 2).sum(-1))
        reach, m = next((reach, m) for most, reach, m in _NODES if self.together <= most)
        about = mean[..., None] + np.clip(sd, 1.2, 4.0)[..., None] * np.linspace(-reach, reach, m)
        return State(
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
            if self.usual is None:
                self.usual = float(np.median(misfit))
            self.odd[g.rows] = misfit > max(_ODD, 3 * self.usual)
            g.use = g.use * ~self.odd[g.rows][:, None]

    def _scales(self, nodes: FloatArray, s: State, normal: Normal) -> None:
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
            counts, _, _ = self._bent(
                g, (counts * (1 + shared[0, g.gains]))[None], shared[:, self.base + S_BEND]
            )
            counts = counts[0]
            r, w, _ = self._misfit(g, counts, m)
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
                own = own - self.printed[head] * heads[head, H_PRINT]
                swing = self.s_t**2
            else:
                own = own - node[0] - heads[head, H_ETA]
                swing = self.s_t**2 + self.s_c**2
            var = q.u_mm[mine] ** 2 + swing
            z2 = own * own / var
            dof = float(mine.sum() - len(np.unique(head)))
            squares = float((((DOF_SWING + 1) / (DOF_SWING + z2)) * z2).sum())
            # What one would expect of swings with this scatter, by the ratio that was seen.
            part = dof * max(1 + (squares / max(dof, 1.0) - 1) * float((var / swing).mean()), 0.05)
            out[0] += part * self.s_t**2
            out[2] += dof
            if not is_mark:
                out[1] += part * self.s_c**2
                out[3] += dof
        return float(out[0]), float(out[1]), float(out[2]), float(out[3])

    def _evidence(self, nodes: FloatArray, normal: Normal) -> FloatArray:
        p = self.priors
        prior = 0.5 * ((nodes - p.delivery_mm) / p.delivery_u_mm) ** 2
        _, logdet = np.linalg.slogdet(self._information(normal))
        return np.asarray(-(normal.cost + prior) - 0.5 * logdet)

    def _information(self, normal: Normal) -> FloatArray:
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

    def _found(self, nodes: FloatArray, s: State) -> Findings:
        normal = self._evaluate(nodes, s)
        hess = self._information(normal)
        p = self.priors
        off = (nodes - p.delivery_mm) / p.delivery_u_mm
        price = -(normal.cost + 0.5 * off**2)
        heads = np.arange(self.nh) * HEAD + H_T
        return Findings(
            nodes,
            price,
            np.linalg.slogdet(hess)[1],
            s.shared,
            np.asarray(np.linalg.inv(hess)),
            hess[:, heads, heads],
            *self._presses(s, normal, int(np.argmax(price))),
            self.odd,
            self.printed,
            self.s_c,
            self.s_t,
            self.noise,
            self.usual,
        )

    def _presses(self, s: State, normal: Normal, best: int) -> _OfPresses:
        """Of each press: mean contact, its deviation, lowest point, cost, what it follows, ends."""
        mean = (normal.share * s.t).sum(-1)
        u = np.sqrt((normal.share * (s.t - mean[..., None]) ** 2).sum(-1))
        by_print = self.head * HEAD + H_PRINT
        mean = mean + s.shared[:, by_print]
        v = (normal.share * (s.t + s.own[1])).sum(-1)
        ends = np.zeros((2, self.n))
        follow = np.zeros((len(s.t), self.n, self.size))
        m = s.t.shape[-1]
        for g, one in zip(self.groups, normal.follows, strict=True):
            theta = self._theta(s.t, s.own, s.shared, g.rows)[:, best].reshape(SIZE, -1, m)
            ends[:, g.rows] = (ends_in_print(theta) * normal.share[best, g.rows]).sum(-1)
            follow[:, np.arange(self.n)[g.rows, None], self._local(g)] = one
        follow[:, np.arange(self.n), by_print] += 1
        return mean, u, v, normal.cost_press.min(-1), follow, ends

    def _local(self, g: Group) -> IntArray:
        """(presses, local): which of what is shared each press of a group follows."""
        gains = np.arange(g.gains.start, g.gains.stop)
        wide = np.broadcast_to(gains, (len(g.y), gains.size))
        return np.concatenate([self.local_at[g.rows], wide], axis=1)

    # -- one press more ---------------------------------------------------------------------------

    def more(
        self, prints: Sequence[Prints], findings: Findings, before: IntArray
    ) -> Findings | None:
        """Take presses more into what was found: each by itself, then one step of what is shared.

        Parameters
        ----------
        prints : sequence of Prints
            As many as were fitted, with the new presses only.
        findings : Findings
            Of what was fitted before.
        before : (heads,)
            Presses of each head fitted before.

        Returns
        -------
        Findings or None
            None where they say something so new that all must be fitted again.
        """
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            one = Joint(prints, None, self.heads, self.priors, before)
            one.size = self.size
            one.mean, one.precision = self.mean, self.precision
            one.s_c, one.s_t, one.noise = findings.scatter_mm, findings.contact_scatter_mm, 1.0
            one.usual = findings.misfit
            return one._added(findings)

    def _added(self, f: Findings) -> Findings | None:
        s = self._start(f.nodes, f.shared)
        self.noise = f.noise
        none = np.zeros_like(s.shared)
        for _ in range(3):
            normal = self._evaluate(f.nodes, s)
            own = s.own + np.moveaxis(np.clip(self._own_move(normal, none), -5, 5), -1, 0)
            t, own = _replace(s.t, own, normal.share, np.zeros(s.t.shape[:2]))
            s = State(t, own, s.shared, s.lam, s.cost)
        normal = self._evaluate(f.nodes, s)
        off = s.shared - self.mean
        by_prior = off @ self.precision
        cost = normal.cost - 0.5 * np.einsum("ki,ki->k", by_prior, off)
        at = np.unique(np.concatenate([self._local(g).ravel() for g in self.groups]))
        grad = (normal.grad - by_prior)[:, at]
        square = np.ix_(at, at)
        cov = f.covariance.copy()
        shared, price, logdet = f.shared.copy(), f.price.copy(), f.logdet.copy()
        told = f.contact_told.copy()
        t_heads = np.arange(self.nh) * HEAD + H_T
        d = np.arange(at.size)
        for i in range(len(f.nodes)):
            wide = cov[i][:, at]
            here = wide[at]
            for hess in (normal.info[i], normal.em[i]):
                new = hess[square] - self.precision[square]
                step = new @ here
                step[d, d] += 1
                sign, grown = np.linalg.slogdet(step)
                # Positive in all directions: what was known before outweighs what a node loses.
                if sign > 0 and np.linalg.eigvals(step).real.min() > 0:
                    break
            cov[i] = cov[i] - wide @ np.linalg.solve(step, new @ wide.T)
            move = -cov[i][:, at] @ grad[i]
            if np.abs(move / np.sqrt(np.diag(f.covariance[i]))).max() > _NEWS:
                return None
            shared[i] += move
            price[i] += -cost[i] - 0.5 * float(grad[i] @ move[at])
            logdet[i] += grown
            told[i] += np.diag(hess - self.precision)[t_heads]
        best = int(np.argmax(price))
        t, u, v, press_cost, follow, ends = self._presses(s, normal, best)
        moved = (f.follow @ (shared - f.shared)[..., None])[..., 0]
        return Findings(
            f.nodes,
            price,
            logdet,
            shared,
            cov,
            told,
            np.concatenate([f.t + np.clip(moved, -5, 5), t], axis=1),
            np.concatenate([f.t_u, u], axis=1),
            np.concatenate([f.v, v], axis=1),
            np.concatenate([f.cost, press_cost], axis=1),
            np.concatenate([f.follow, follow], axis=1),
            np.concatenate([f.ends, ends], axis=1),
            np.concatenate([f.odd, self.odd]),
            f.printed | self.printed,
            f.scatter_mm,
            f.contact_scatter_mm,
            f.noise,
            f.misfit,
        )


def _picked(s: State, which: int | IntArray) -> State:
    """Pick some of the nodes."""
    some = np.atleast_1d(which)
    return State(s.t[some], s.own[:, some], s.shared[some], s.lam[some], s.cost[some])


def _joined(a: State, b: State) -> State:
    return State(
        np.concatenate([a.t, b.t]),
        np.concatenate([a.own, b.own], axis=1),
        np.concatenate([a.shared, b.shared]),
        np.concatenate([a.lam, b.lam]),
        np.concatenate([a.cost, b.cost]),
    )


def _chosen(first: BoolArray, a: State, b: State) -> State:
    """At each node one of two."""
    return State(
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
    reach = next(reach for _, reach, m in _NODES if m == t.shape[-1])
    about = mean[..., None] + sd[..., None] * np.linspace(-reach, reach, t.shape[-1])
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


def _by_eye(g: Group, places: FloatArray) -> FloatArray:
    """Size, place and depth by the weight of the cells, for each contact: (3, n, m)."""
    y = np.maximum(g.y, 0)
    x = g.prints.cells.points.reshape(-1, 3)[:, 1]
    peak = y.max(axis=1)
    heavy = np.where(y > 0.3 * peak[:, None], y, 0)
    if g.prints.full is not None:
        peak = peak / (1 - np.clip(g.prints.bend * peak / g.prints.full.max(), 0.0, 0.95))
    total = np.maximum(heavy.sum(axis=1), 1e-9)
    middle = (heavy * x).sum(axis=1) / total
    spread = np.sqrt(np.maximum((heavy * (x - middle[:, None]) ** 2).sum(axis=1) / total, 4.0))
    out = np.empty((3, len(y), len(places)))
    out[0] = np.log(np.maximum(peak, 1e-6))[:, None]
    out[1] = middle[:, None] - places
    out[2] = np.log(np.clip(2.1 * spread, 8, 60))[:, None]
    return out
