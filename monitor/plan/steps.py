"""The steps of one batch, each with its caution where it belongs. A step that does not apply is not there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.plan.water import Depth, loading_limit_words

BEFORE_HEAT = "before_heat"
LOADING = "loading"
COME_UP = "come_up"
HOLD = "hold"
AFTER = "after"
WHEN = (BEFORE_HEAT, LOADING, COME_UP, HOLD, AFTER)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. ``caution`` is at most two lines, empty where nothing can hurt."""

    id: str
    when: str
    text: str
    caution: str = ""
    guidance: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "when": self.when,
            "text": self.text,
            "caution": self.caution,
            "guidance": list(self.guidance),
        }


@dataclass(frozen=True, slots=True)
class BatchFacts:
    """What the steps depend on."""

    pack: str
    jar_words: str
    minutes: float
    headspace_words: str
    depth: Depth
    sterilise_minutes: int | None
    acid_words: str
    acid_in_recipe: bool


def steps_for(batch: BatchFacts) -> tuple[Step, ...]:
    """Every step of this batch, in the order of the work."""
    return (*_before_heat(batch), *_loading(batch), *_come_up(), *_hold(batch), *_after())


def checklist(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """The steps that a person ticks before the jars are under the lid."""
    return tuple(step for step in steps if step.when in (BEFORE_HEAT, LOADING))


def _before_heat(batch: BatchFacts) -> list[Step]:
    if batch.sterilise_minutes is None:
        hot_jars = Step(
            "hot_jars",
            BEFORE_HEAT,
            "Keep the empty jars hot until they are filled.",
            "Hot food in a cold jar cracks the glass.",
            ("G15", "G68"),
        )
    else:
        hot_jars = Step(
            "sterile_jars",
            BEFORE_HEAT,
            f"Sterilise the empty jars: upright in hot water 1 in (25 mm) over the rims, boil "
            f"{batch.sterilise_minutes} min, and keep them hot.",
            "Under 10 min of processing asks for sterile jars. Scald: lift them with tongs.",
            ("G26", "G27"),
        )
    return [
        Step(
            "jars_and_lids",
            BEFORE_HEAT,
            f"Look over every {batch.jar_words} jar: no crack, no nick in the rim. New lids.",
            "A jar not made for canning, or with a hairline crack, breaks in the boil.",
            ("G68",),
        ),
        Step(
            "rack",
            BEFORE_HEAT,
            "Rack (or a folded towel) on the canner's bottom, under the jars.",
            "",
            ("G13",),
        ),
        hot_jars,
        Step(
            "water_warm",
            BEFORE_HEAT,
            f"Canner about half full, water at {loading_limit_words(batch.pack)} and no hotter.",
            "Hotter water shortens the come-up that the tested time counts on.",
            ("G11", "G12"),
        ),
        Step(
            "probe_placed",
            BEFORE_HEAT,
            "Probe at mid-depth, at the height of the jar shoulders, touching neither base nor glass.",
            "Mains leads, node and barometer stay dry: out of the steam, off the stove.",
        ),
        Step("sound_heard", BEFORE_HEAT, "Sound the alarm in the room where you will be, and hear it."),
    ]


def _loading(batch: BatchFacts) -> list[Step]:
    steps = []
    if batch.acid_words:
        steps.append(
            Step(
                "acid",
                LOADING,
                f"Acid into each jar: {batch.acid_words}.",
                "Without it this food is not acid enough for boiling water, whatever the time.",
                ("G33", "G34", "G35"),
            )
        )
    elif batch.acid_in_recipe:
        steps.append(
            Step(
                "acid_in_recipe",
                LOADING,
                "Keep the recipe's vinegar, lemon juice and vegetables in its exact proportions.",
                "The recipe's acid is what makes a boiling-water process possible. Do not reduce it.",
                ("G36",),
            )
        )
    how = "boiling-hot food" if batch.pack == "hot" else "raw food, then the hot liquid"
    return [
        *steps,
        Step(
            "filled",
            LOADING,
            f"Fill hot jars with {how}; headspace {batch.headspace_words}, or as your tested recipe says.",
            "Scald: boiling food and syrup stick and burn.",
            ("G40",),
        ),
        Step("rims_wiped", LOADING, "Air bubbles out, headspace set again, rims wiped clean.", "", ("G41",)),
        Step("lids_finger_tight", LOADING, "Lids on, rings finger-tight only.", "", ("G41",)),
        Step(
            "jars_upright",
            LOADING,
            "Lower the jars upright onto the rack, gripped below the ring; mark jars in.",
            "Scald and glass: use a jar lifter; a cold jar in hot water cracks.",
            ("G14", "G68"),
        ),
        Step("water_over", LOADING, f"Water at least {batch.depth.words} over the lids.", "", ("G9",)),
        Step(
            "lid_on",
            LOADING,
            "Canner lid on, highest heat; mark it.",
            "Stay within hearing of the alarm. Never leave the house with heat on.",
        ),
    ]


def _come_up() -> list[Step]:
    return [
        Step(
            "boil_seen",
            COME_UP,
            "Wait for a full rolling boil, look, and mark it. The time starts then, not before.",
            "Open the lid away from your face: steam burns.",
            ("G1", "G70"),
        )
    ]


def _hold(batch: BatchFacts) -> list[Step]:
    steps = [
        Step(
            "hold",
            HOLD,
            f"Full boil, lid on, {batch.minutes:g} min without a break.",
            f"If it stops: highest heat, back to a full boil, all {batch.minutes:g} min again from zero.",
            ("G3", "G4"),
        )
    ]
    if batch.minutes > 30.0:
        steps.append(
            Step(
                "water_kept",
                HOLD,
                f"Every 15 min look whether the water still stands {batch.depth.words} over the lids.",
                "Top up with boiling water only, between the jars; cool water stops the boil.",
                ("G9", "G10"),
            )
        )
    return steps


def _after() -> list[Step]:
    return [
        Step(
            "rest",
            AFTER,
            "Heat off, lid off, wait 5 min, then lift the jars.",
            "Lift the lid with its underside away from you: steam burns.",
            ("G42", "G70"),
        ),
        Step(
            "set_down",
            AFTER,
            "Stand the jars level on a dry towel, 1 in (25 mm) apart, out of draughts; rings left alone.",
            "Hot glass cracks on a cold or wet surface. Keep children and pets away.",
            ("G43", "G45", "G69"),
        ),
        Step(
            "undisturbed", AFTER, "Leave them 12 to 24 h; then judge each seal by hand.", "", ("G44", "G48")
        ),
    ]
