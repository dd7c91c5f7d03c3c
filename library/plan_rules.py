"""The rules of a player's plan, as the coach changed them."""

from __future__ import annotations

import dataclasses
from typing import Any

from analysis.evidence.plan import PlanRules
from library.players import PlanRecord


def names_of_rules() -> dict[str, str]:
    """Return the rules' names, and those that they are written under in the home and in JSON."""
    return {f.name: f.metadata.get("document", f.name) for f in dataclasses.fields(PlanRules)}


def rules_of(record: PlanRecord | None) -> PlanRules:
    """Return the rules of a plan, with what the coach changed."""
    changed = record.state.get("rules", {}) if record is not None else {}
    fitting: dict[str, Any] = {
        name: changed[written]
        for name, written in names_of_rules().items()
        if isinstance(changed.get(written), (bool, int, float))
    }
    return PlanRules(**fitting)
