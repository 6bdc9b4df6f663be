"""The decision: boiling, not boiling or unknown; what that proves; and how sure it is."""

from monitor.judge.budget import budget_of
from monitor.judge.session import Session, judge
from monitor.judge.verdict import Advice, Budget, BudgetRow, Event, LiveView, Stretch, Verdict

__all__ = [
    "Advice",
    "Budget",
    "BudgetRow",
    "Event",
    "LiveView",
    "Session",
    "Stretch",
    "Verdict",
    "budget_of",
    "judge",
]
