"""The robust covariance against whole matrices and the property it is made for."""

import numpy as np
import pytest
from scipy import stats

from metafreeze.models.cluster_robust import robust_covariance

SAME = {"rtol": 1e-8, "atol": 1e-12}


def studies(seed, S=6, p=2, alone=False):
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 5, S)
    study = np.repeat(np.arange(S), sizes)
    n = study.size
    x = np.column_stack([np.ones(n), rng.normal(size=(n, p - 1))])
    if alone:
        x[:, 1] = study == 0
    V = np.zeros((n, n))
    for s in range(S):
        at = np.ix_(study == s, study == s)
        root = rng.normal(size=(sizes[s], sizes[s]))
        V[at] = np.eye(sizes[s]) + 0.3 * root @ root.T
    y = rng.normal(size=n)
    return x, y, V, study


def by_study(x, y, V, study):
    both, W = np.column_stack([x, y]), np.linalg.inv(V)
    S = study.max() + 1
    return np.array(
        [
            both[study == s].T @ W[np.ix_(study == s, study == s)] @ both[study == s]
            for s in range(S)
        ]
    )


def root_of_inverse(a):
    values, vectors = np.linalg.eigh(a)
    return sum(
        np.outer(u, u) / value**0.5
        for value, u in zip(values, vectors.T, strict=True)
        if value > 1e-8
    )


def dense(x, y, V, study, contrasts, kind):
    """Covariance, errors and Satterthwaite df from residual rows, one study at a time."""
    W = np.linalg.inv(V)
    M = np.linalg.inv(x.T @ W @ x)
    beta = M @ x.T @ W @ y
    e = y - x @ beta
    K = np.linalg.inv(np.linalg.cholesky(x.T @ W @ x)).T
    S, p = study.max() + 1, x.shape[1]
    own = np.zeros((S, p, y.size))  # maps residuals to the corrected score, times M
    for s in range(S):
        at = study == s
        score = x[at].T @ W[np.ix_(at, at)]
        G = score @ x[at]
        if kind == "bias-reduced":
            change = np.linalg.inv(K.T) @ root_of_inverse(np.eye(p) - K.T @ G @ K) @ K.T
        else:
            change = np.eye(p) * ((S / (S - 1)) ** 0.5 if kind == "scaled" else 1.0)
        own[s][:, at] = M @ change @ score
    covariance = sum(np.outer(own[s] @ e, own[s] @ e) for s in range(S))
    spread = V - x @ M @ x.T  # of residuals, were the variance model true
    se, df, mean = [], [], []
    for c in contrasts:
        a = np.array([c @ own[s] for s in range(S)])
        B = a @ spread @ a.T
        se.append(((a @ e) ** 2).sum() ** 0.5)
        df.append(np.trace(B) ** 2 / np.trace(B @ B))
        mean.append(np.trace(B) / (c @ M @ c))
    return beta, covariance, np.array(se), np.array(df), np.array(mean)


@pytest.mark.parametrize("kind", ["bias-reduced", "scaled", "plain"])
@pytest.mark.parametrize(("seed", "S", "p"), [(1, 6, 2), (2, 4, 1), (3, 9, 3), (4, 2, 1)])
def test_everything_is_that_of_whole_matrices(seed, S, p, kind):
    x, y, V, study = studies(seed, S, p)
    contrasts = np.vstack([np.eye(p), np.arange(1.0, p + 1)])
    beta, covariance, se, df, mean = dense(x, y, V, study, contrasts, kind)
    found = robust_covariance(by_study(x, y, V, study), beta, contrasts, kind=kind)
    np.testing.assert_allclose(found.covariance, covariance, **SAME)
    np.testing.assert_allclose(found.se, se, **SAME)
    np.testing.assert_allclose(found.df, df, **SAME)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), se[:p], **SAME)
    if kind == "bias-reduced":
        # What it is for: on average the true variance (Bell & McCaffrey 2002).
        np.testing.assert_allclose(mean, 1.0, **SAME)
    elif kind == "plain":
        assert (mean < 1).all()


def test_leading_axes_are_data_sets():
    x, y, V, study = studies(5)
    beta = dense(x, y, V, study, np.eye(2), "plain")[0]
    one = by_study(x, y, V, study)
    other = by_study(x, 2 * y, V, study)
    many = robust_covariance(
        np.stack([one, other]), np.stack([beta, 2 * beta]), np.eye(2), kind="bias-reduced"
    )
    single = robust_covariance(one, beta, np.eye(2), kind="bias-reduced")
    assert many.covariance.shape == (2, 2, 2) and many.se.shape == many.df.shape == (2, 2)
    np.testing.assert_allclose(many.se, [single.se, 2 * single.se], rtol=1e-9)
    np.testing.assert_allclose(many.df, [single.df, single.df], rtol=1e-9)


def test_a_coefficient_of_one_study_alone_is_left_uncorrected():
    x, y, V, study = studies(6, alone=True)
    contrasts = np.array([[1.0, 0.0]])
    beta, covariance, se, df, _ = dense(x, y, V, study, contrasts, "bias-reduced")
    found = robust_covariance(by_study(x, y, V, study), beta, contrasts, kind="bias-reduced")
    np.testing.assert_allclose(found.se, se, rtol=1e-6)
    np.testing.assert_allclose(found.df, df, rtol=1e-6)
    np.testing.assert_allclose(found.covariance[0, 0], covariance[0, 0], rtol=1e-6)


@pytest.mark.parametrize("k", [2, 5, 11])
def test_equal_studies_give_the_t_interval_of_their_mean(k):
    y = np.random.default_rng(k).normal(size=k)
    x, V, study = np.ones((k, 1)), 0.3 * np.eye(k), np.arange(k)
    found = robust_covariance(
        by_study(x, y, V, study), np.array([y.mean()]), np.ones((1, 1)), kind="bias-reduced"
    )
    assert found.se[0] == pytest.approx(stats.sem(y))
    assert found.df[0] == pytest.approx(k - 1)
    scaled = robust_covariance(
        by_study(x, y, V, study), np.array([y.mean()]), np.ones((1, 1)), kind="scaled"
    )
    assert scaled.se[0] == pytest.approx(stats.sem(y))
