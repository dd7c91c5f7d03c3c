"""Exact bounds of shares."""

from __future__ import annotations

from scipy.stats import beta

__all__ = ["upper_bound"]


def upper_bound(count: int, of: int) -> float:
    """Upper end of the exact one-sided 95 % interval of a share (Clopper & Pearson 1934)."""
    return 1.0 if count >= of else float(beta.ppf(0.95, count + 1, of - count))
