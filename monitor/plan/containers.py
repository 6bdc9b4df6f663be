"""Packs and jars in ordinary words."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.plan.refusal import UNKNOWN_JAR, UNKNOWN_PACK, Refusal
from monitor.tables.containers import jar_mL, pack_of, plain
from monitor.tables.processes import JARS_ML

JAR_NAMES = {name: name.replace("_", "-") for name in JARS_ML}


@dataclass(frozen=True, slots=True)
class Jar:
    """One size of jar. ``name`` is the table's size that is not smaller; ``volume_mL`` what was said."""

    name: str
    volume_mL: float
    said: str

    @property
    def words(self) -> str:
        """For a sentence: ``pint`` or ``355 mL``."""
        exact = JARS_ML[self.name] == round(self.volume_mL)
        return JAR_NAMES[self.name] if exact else f"{self.volume_mL:.0f} mL"


def parse_pack(words: str) -> str | Refusal:
    """``hot`` or ``raw`` from ordinary words."""
    pack = pack_of(words)
    if pack is not None:
        return pack
    return Refusal(
        UNKNOWN_PACK, f"“{plain(words)[:40]}” is not a style of pack.", "Say hot or raw.", guidance=("G16",)
    )


def parse_jar(words: str) -> Jar | Refusal:
    """A jar size from ordinary words: ``pint``, ``half-pint``, ``12 oz``, ``500 mL``."""
    volume_mL = jar_mL(words)
    if volume_mL is None or volume_mL < 20.0:
        return Refusal(
            UNKNOWN_JAR,
            f"“{plain(words)[:40]}” is not a jar size that is known here.",
            "Say half-pint, pint, quart or half-gallon, or a volume such as 12 oz or 500 mL.",
            guidance=("G24",),
        )
    name = next((jar for jar, listed in JARS_ML.items() if volume_mL <= listed), None)
    if name is None:
        return Refusal(
            UNKNOWN_JAR,
            f"A jar of {volume_mL:.0f} mL is larger than any that the tables list (half-gallon, 1893 mL).",
            "Use smaller jars: a process is never stretched to a larger one.",
            guidance=("G24",),
        )
    return Jar(name=name, volume_mL=volume_mL, said=words.strip())
