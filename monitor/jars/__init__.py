"""After the heat is off: seals, where each jar goes, deviations, review, labels, pantry. Pure."""

from monitor.jars.batch import batch_state
from monitor.jars.deviations import Deviation
from monitor.jars.disposition import STEPS, Basis, Case, Decision, Status, decide
from monitor.jars.labels import SHEETS, Label, html_sheet, jar_code, labels, plain_text, read_code
from monitor.jars.one_jar import status_of
from monitor.jars.pantry import LostSeal, PantryRow, lost_seals, pantry
from monitor.jars.reprocess import reprocess_extra
from monitor.jars.review import Item, Signature
from monitor.jars.seals import ASK, QUESTIONS, Seal, SealResult, check_answers
from monitor.jars.signed import evaluation_trouble, own_timing_trouble
from monitor.jars.state import NOTHING_LEFT, BatchState, Clock, JarState

__all__ = [
    "ASK",
    "NOTHING_LEFT",
    "QUESTIONS",
    "SHEETS",
    "STEPS",
    "Basis",
    "BatchState",
    "Case",
    "Clock",
    "Decision",
    "Deviation",
    "Item",
    "JarState",
    "Label",
    "LostSeal",
    "PantryRow",
    "Seal",
    "SealResult",
    "Signature",
    "Status",
    "batch_state",
    "check_answers",
    "decide",
    "evaluation_trouble",
    "html_sheet",
    "jar_code",
    "labels",
    "lost_seals",
    "own_timing_trouble",
    "pantry",
    "plain_text",
    "read_code",
    "reprocess_extra",
    "status_of",
]
