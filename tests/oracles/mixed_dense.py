"""A slow twin of the mixed engine: dense covariance matrices, derivative-free code paths.

It shares nothing with the engine: V is written out study by study (they are independent), the
criterion follows from Cholesky factors, and the search is a general-purpose one from many
starts.
"""

from dataclasses import dataclass

import numpy as np
from scipy import optimize


@dataclass
class DenseModel:
    """Rows of a mixed model, blocks padded to one size so that all are factored at once."""

    y: np.ndarray  # (S, k)
    X: np.ndarray  # (S, k, p)
    Z: np.ndarray  # (S, k, q)
    same_batch: np.ndarray  # (S, k, k)
    share: np.ndarray  # (S, k) of the residual variance
    extra: np.ndarray  # (S, k)
    here: np.ndarray  # (S, k) rows that are there
    behind: float = 0.0  # runs behind means, less one each
    behind_squares: float = 0.0
    log_counts: float = 0.0

    @classmethod
    def of(cls, y, X, study, *, Z, batch=None, known=None, added=None, count=None, spread=None):
        """Sort rows into blocks."""
        y, X, Z = np.asarray(y, float), np.asarray(X, float), np.asarray(Z, float)
        study = np.asarray(study)
        n = len(y)
        labels = np.unique(study)
        k = max(int((study == s).sum()) for s in labels)
        S = len(labels)
        known = np.full(n, np.nan) if known is None else np.asarray(known, float)
        added = np.zeros(n) if added is None else np.asarray(added, float)
        count = np.ones(n) if count is None else np.asarray(count, float)
        spread = np.zeros(n) if spread is None else np.nan_to_num(spread)
        share = np.where(np.isnan(known), 1.0 / count, 0.0)
        extra = np.where(np.isnan(known), added, np.nan_to_num(known) + added)
        free = np.isnan(known)
        model = cls(
            y=np.zeros((S, k)),
            X=np.zeros((S, k, X.shape[1])),
            Z=np.zeros((S, k, Z.shape[1])),
            same_batch=np.zeros((S, k, k)),
            share=np.zeros((S, k)),
            extra=np.ones((S, k)),
            here=np.zeros((S, k)),
            behind=float((count - 1)[free].sum()),
            behind_squares=float(((count - 1) * spread**2)[free].sum()),
            log_counts=float(np.log(count[free]).sum()),
        )
        for i, s in enumerate(labels):
            rows = np.flatnonzero(study == s)
            size = len(rows)
            model.y[i, :size], model.X[i, :size], model.Z[i, :size] = y[rows], X[rows], Z[rows]
            model.share[i, :size], model.extra[i, :size] = share[rows], extra[rows]
            model.here[i, :size] = 1.0
            if batch is not None:
                b = np.asarray(batch)[rows]
                model.same_batch[i, :size, :size] = b[:, None] == b[None, :]
        return model

    def criterion(self, covariance, batch_variance, residual, *, restricted=True):
        """-2 log likelihood with every constant; infinite where V is not positive."""
        V = self.Z @ covariance @ np.swapaxes(self.Z, 1, 2) + batch_variance * self.same_batch
        diagonal = self.share * residual + self.extra
        V = V + diagonal[:, :, None] * np.eye(V.shape[1])
        try:
            L = np.linalg.cholesky(V)
        except np.linalg.LinAlgError:
            return np.inf
        wx, wy = np.linalg.solve(L, self.X), np.linalg.solve(L, self.y[..., None])[..., 0]
        A = np.einsum("skp,skq->pq", wx, wx)
        b = np.einsum("skp,sk->p", wx, wy)
        beta = np.linalg.solve(A, b)
        rest = wy - np.einsum("skp,p->sk", wx, beta)
        log_det = 2 * np.log(np.einsum("skk->sk", L)).sum()
        n, p = self.here.sum() + self.behind, len(b)
        value = log_det + (rest**2).sum()
        if self.behind:
            value += self.behind * np.log(residual) + self.behind_squares / residual
        value += self.log_counts
        if restricted:
            value += np.linalg.slogdet(A)[1] + (n - p) * np.log(2 * np.pi)
        else:
            value += n * np.log(2 * np.pi)
        return float(value)

    def minimise(self, *, with_batch, scale, z_scale, starts=20, seed=0, restricted=True):
        """Best criterion of a general search from many random starts."""
        rng = np.random.default_rng(seed)
        q = self.Z.shape[-1]
        pairs = [(i, j) for j in range(q) for i in range(j, q)]
        size = len(pairs) + int(with_batch) + 1

        def value(h):
            L = np.zeros((q, q))
            for k, (i, j) in enumerate(pairs):
                L[i, j] = h[k] * scale / z_scale[i]
            batch = (h[len(pairs)] * scale) ** 2 if with_batch else 0.0
            residual = (np.exp(np.clip(h[-1], -40, 40)) * scale) ** 2
            found = self.criterion(L @ L.T, batch, residual, restricted=restricted)
            return found if np.isfinite(found) else 1e300

        best = np.inf
        for _ in range(starts):
            start = rng.normal(size=size) * rng.choice([0.05, 0.5, 3.0])
            start[-1] = rng.normal(-0.5, 0.7)
            with np.errstate(all="ignore"):
                found = optimize.minimize(value, start, method="L-BFGS-B", options={"maxiter": 400})
            best = min(best, float(found.fun))
        return best
