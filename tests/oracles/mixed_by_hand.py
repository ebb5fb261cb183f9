"""The mixed model written out: every matrix of n rows in full, every sum by its definition.

Textbook forms, none of them the engine's: with V = sum of w_i D_i and a part that is known,
P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1 gives the criterion, its slope tr(P D) - y'P D P y and
its bend 2 y'P D_i P D_j P y - tr(P D_i P D_j). A summary of c runs is its mean and c - 1 rows
that no coefficient touches.
"""

import numpy as np

GIVEN = ("batch", "specimen", "known_variance", "added_variance", "count", "spread")


def rows_of_kind(
    seed,
    *,
    n=36,
    studies=4,
    q=1,
    batch=False,
    specimen="",
    known=False,
    added=False,
    counts=False,
    constant=True,
    spread=1.0,
):
    """Invented rows with the kinds of information that are switched on."""
    rng = np.random.default_rng([31, seed])
    study = rng.permutation(
        np.concatenate([np.arange(studies), rng.integers(0, studies, n - studies)])
    )
    x, other = 2 * rng.normal(size=n) + 4, rng.normal(size=n)
    X = np.column_stack([np.ones(n), x, other] if constant else [x, other])
    Z = np.column_stack([np.ones(n), x, rng.normal(size=n)])[:, :q]
    u = spread * rng.normal(size=(studies, 3))
    inner = rng.integers(0, 3, n)
    names = np.array([f"b{k}" for k in inner], dtype=object)
    names[rng.random(n) < 0.1] = None
    cups = None
    if specimen == "nested":
        cups = np.array([f"{b}-{k}" for b, k in zip(names, rng.integers(0, 2, n), strict=True)])
        cups = cups.astype(object)
        cups[rng.random(n) < 0.1] = None
    elif specimen == "crossed":
        cups = np.array([f"c{k}" for k in rng.integers(0, 2, n)], dtype=object)
    y = 3 + 0.5 * x + (Z * u[study, :q]).sum(axis=1) + rng.normal(size=n)
    if batch or specimen:
        y = y + 1.2 * spread * rng.normal(size=(studies, 3))[study, inner]
    data = {
        "y": y,
        "X": X,
        "study": np.array([f"lab {s}" for s in study]),
        "varying": Z,
        "batch": names if batch else None,
        "specimen": cups,
    }
    if known:
        data["known_variance"] = np.where(rng.random(n) < 0.3, rng.uniform(0.5, 2, n), np.nan)
    if added:
        data["added_variance"] = np.where(rng.random(n) < 0.3, rng.uniform(0.2, 1, n), 0.0)
    if counts:
        count = np.where(rng.random(n) < 0.4, rng.integers(2, 5, n), 1).astype(float)
        if known:
            count = np.where(np.isnan(data["known_variance"]), count, 1.0)
        data["count"] = count
        data["spread"] = np.where(count > 1, rng.uniform(0.6, 1.4, n), np.nan)
    return data


def shared(study, labels):
    """1 where two rows of one study carry one label."""
    n = len(study)
    out = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            own = labels is None or (labels[i] is not None and labels[i] == labels[j])
            out[i, j] = float(study[i] == study[j] and own)
    return out


class ByHand:
    """V and all that follows from it, for rows given as to `mixed_model`."""

    def __init__(self, data, *, Z=None, A=None, correlated=True, levels=(), residual="common"):
        """Write the matrices; `levels` lists batch and specimen in the order of the variances."""
        y, X, study = data["y"], data["X"], data["study"]
        n = len(y)
        known = data.get("known_variance")
        known = np.full(n, np.nan) if known is None else known
        added = data.get("added_variance")
        added = np.zeros(n) if added is None else added
        count = data.get("count")
        count = np.ones(n) if count is None else count
        free = np.isnan(known)
        behind = np.repeat(np.arange(n), np.where(free, count - 1, 0).astype(int))
        N = n + len(behind)
        self.study = np.concatenate([study, study[behind]])
        self.X = np.zeros((N, X.shape[1]))
        self.X[:n] = X
        self.y = np.concatenate([y, data["spread"][behind] if len(behind) else []])
        self.log_counts = float(np.log(count[free]).sum())
        Z = data["varying"] if Z is None else Z
        self.Z = np.zeros((N, Z.shape[1]))
        self.Z[:n] = Z
        q = Z.shape[1]
        self.parts = []
        inside = np.zeros((N, N))
        inside[:n, :n] = shared(study, None)
        self.pairs = [(i, j) for j in range(q) for i in range(j, q) if correlated or i == j]
        for i, j in self.pairs:
            E = np.zeros((q, q))
            E[i, j] = E[j, i] = 1.0
            self.parts.append(inside * (self.Z @ E @ self.Z.T))
        for level in levels:
            D = np.zeros((N, N))
            D[:n, :n] = shared(study, data[level])
            self.parts.append(D)
        share = np.concatenate([np.where(free, 1 / count, 0.0), np.ones(len(behind))])
        if residual == "common" and free.any():
            self.parts.append(np.diag(share))
        elif residual == "per-study":
            self.parts += [np.diag(share * (self.study == s)) for s in np.unique(study)]
        self.base = np.zeros((N, N))
        self.base[:n, :n] = np.diag(np.where(free, 0.0, np.nan_to_num(known)) + added)
        self.rows, self.runs = n, N

    def at(self, w):
        """Stand at variances w."""
        self.V = self.base + sum(v * D for v, D in zip(w, self.parts, strict=True))
        self.inverse = np.linalg.inv(self.V)
        self.phi = np.linalg.inv(self.X.T @ self.inverse @ self.X)
        weight = self.inverse @ self.X
        self.P = self.inverse - weight @ self.phi @ weight.T
        self.beta = self.phi @ weight.T @ self.y
        return self

    def criterion(self, restricted):
        """-2 log likelihood with every constant."""
        p = self.X.shape[1]
        value = np.linalg.slogdet(self.V)[1] + self.y @ self.P @ self.y + self.log_counts
        if restricted:
            value -= np.linalg.slogdet(self.phi)[1]
        return value + (self.runs - (p if restricted else 0)) * np.log(2 * np.pi)

    def gradient(self, restricted):
        """Its slope in each variance."""
        middle = self.P if restricted else self.inverse
        py = self.P @ self.y
        return np.array([np.trace(middle @ D) - py @ D @ py for D in self.parts])

    def hessian(self, restricted):
        """Its bend in each pair of variances."""
        middle = self.P if restricted else self.inverse
        py = self.P @ self.y
        return np.array(
            [
                [
                    2 * py @ D @ self.P @ E @ py - np.trace(middle @ D @ middle @ E)
                    for E in self.parts
                ]
                for D in self.parts
            ]
        )

    def information(self):
        """Half of tr(P D_i P D_j)."""
        return np.array(
            [[0.5 * np.trace(self.P @ D @ self.P @ E) for E in self.parts] for D in self.parts]
        )

    def slopes_of_phi(self):
        """Derivative of Phi in each variance."""
        weight = self.phi @ self.X.T @ self.inverse
        return [weight @ D @ weight.T for D in self.parts]

    def kenward_roger(self, L):
        """Adjusted covariance, and F, df and factor for L b = 0, Kenward & Roger (1997)."""
        W = np.linalg.inv(self.information())
        X, Vi, phi = self.X, self.inverse, self.phi
        P = [-X.T @ Vi @ D @ Vi @ X for D in self.parts]
        inner = np.zeros_like(phi)
        for i, D in enumerate(self.parts):
            for j, E in enumerate(self.parts):
                Q = X.T @ Vi @ D @ Vi @ E @ Vi @ X
                inner += W[i, j] * (Q - P[i] @ phi @ P[j])
        adjusted = phi + 2 * phi @ inner @ phi
        rank = len(L)
        theta = L.T @ np.linalg.inv(L @ phi @ L.T) @ L
        a1 = a2 = 0.0
        for i in range(len(P)):
            for j in range(len(P)):
                left, right = theta @ phi @ P[i] @ phi, theta @ phi @ P[j] @ phi
                a1 += W[i, j] * np.trace(left) * np.trace(right)
                a2 += W[i, j] * np.trace(left @ right)
        b = (a1 + 6 * a2) / (2 * rank)
        g = ((rank + 1) * a1 - (rank + 4) * a2) / ((rank + 2) * a2)
        down = 3 * rank + 2 * (1 - g)
        c1, c2, c3 = g / down, (rank - g) / down, (rank + 2 - g) / down
        mean = 1 / (1 - a2 / rank)
        spread = 2 / rank * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = spread / (2 * mean**2)
        df = 4 + (rank + 2) / (rank * rho - 1)
        factor = df / (mean * (df - 2))
        difference = L @ self.beta
        f = factor * difference @ np.linalg.solve(L @ adjusted @ L.T, difference) / rank
        return adjusted, f, df

    def kenward_roger_df(self, c):
        """Degrees of freedom of one contrast, expected information."""
        return self._ratio(c, np.linalg.inv(self.information()))

    def satterthwaite_df(self, c, *, restricted=True):
        """Degrees of freedom of one contrast, observed information."""
        return self._ratio(c, np.linalg.inv(0.5 * self.hessian(restricted)))

    def _ratio(self, c, W):
        g = np.array([c @ slope @ c for slope in self.slopes_of_phi()])
        return 2 * (c @ self.phi @ c) ** 2 / (g @ W @ g)


def variances_of(fit, *, correlated=True, levels=(), residual="common"):
    """The variances of a fit in the order that `ByHand` has them, from its tables."""
    G = fit.random_covariance
    q = len(G)
    w = [G[i, j] for j in range(q) for i in range(j, q) if correlated or i == j]
    sds = fit.random_parts[fit.random_parts["sd"].notna()].set_index("level")["sd"]
    w += [float(sds[level]) ** 2 for level in levels]
    if residual == "per-study":
        return w + [sd**2 for sd in fit.residual_sds]
    return w if np.isnan(fit.residual_sd) else [*w, fit.residual_sd**2]
