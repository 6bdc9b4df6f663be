"""The decision: boiling, not boiling or unknown; what that proves; and how sure it is."""

from monitor.judge.budget import budget_of
from monitor.judge.late import LateRevision
from monitor.judge.session import Session
from monitor.judge.verdict import Advice, Budget, BudgetRow, Event, LiveView, Stretch, Verdict
from monitor.judge.whole import judge

__all__ = [
    "Advice",
    "Budget",
    "BudgetRow",
    "Event",
    "LateRevision",
    "LiveView",
    "Session",
    "Stretch",
    "Verdict",
    "budget_of",
    "judge",
]
