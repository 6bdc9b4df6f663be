"""What is behind an event, where its kind alone does not tell: one word of a closed list.

The kinds of events are the contract's, and one kind may ask for different things. Whoever decides by that goes by the
cause, never by the sentence that a person reads. Events that were stored before they carried a cause are told by the
words they had then, here and nowhere else.
"""

from __future__ import annotations

#: ``probe_fault``: no wire is broken, but one sample came with two values; or two water probes disagree.
TWO_VALUES = "two_values"
TWO_PROBES = "two_probes"
#: ``jar_disturbed``: nobody moved the jar, it cools too fast.
CHILLED = "chilled"
#: ``node_restarted`` and ``clock_stepped``: it broke off a boil that counted; the same where the boil was proven only
#: because a person had seen it, so that it must be seen anew.
BROKE_OFF = "broke_off"
BROKE_OFF_SEEN = "broke_off_seen"
#: ``boil_back``: no loss was told, and the time counts anew all the same.
COUNTS_ANEW = "counts_anew"

#: How the words of events began, or what stood in them, by kind.
_OLD_WORDS = {
    "probe_fault": (
        ("One sample came with two values", TWO_VALUES),
        ("The two water probes disagree", TWO_PROBES),
    ),
    "jar_disturbed": (("cools faster than still air can cool it", CHILLED),),
}


def cause_of(kind: str, cause: str, text: str) -> str:
    """The cause of an event; of one that carries none, as its words have it, "" where they name none."""
    if cause:
        return cause
    return next((named for words, named in _OLD_WORDS.get(kind, ()) if words in text), "")
