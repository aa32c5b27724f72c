"""Defects of the hand, the tape and the tin: of most, a log of the air shows nothing."""

from __future__ import annotations

from rules.review.defects import NO_SOURCE, Cause, Defect, Sign
from rules.vocabulary import Stage, Step

_FIRST = "Try it on a small patch first, and ask the data sheet before anything else. "

SAGS = Defect(
    name="sags",
    title="sags and runs",
    other_names=("runs", "curtains", "tears", "sagging"),
    looks="Curtains, drips or thick lower edges that ran before the film set.",
    mechanism="More paint than can hold itself up: laid thick, thinned too far, or slow to set.",
    families=(),
    causes=(),
    unseen=(
        "a film too thick, or a second pass too soon",
        "too much thinner, or one too slow",
        "a gun too near or too slow; a roller too full",
        "a ground too smooth to hold it",
    ),
    tell_apart="Runs under fittings and edges: too much there. Sags everywhere: too thin a mix.",
    first_aid=_FIRST + "While wet, brush out upwards. Once cured, plane or block it flat and coat "
    "again.",
    ask="Everywhere, or below edges and fittings? How much was laid on how much area?",
    words=("sag", "runs", "drip", "curtain", "tears", "ran down"),
    source=NO_SOURCE,
)

DRY_PATCHES = Defect(
    name="dry-patches",
    title="dry patches",
    other_names=("holidays", "dry spray", "misses", "starved film"),
    looks="Dull, rough or thin places among good ones; spots that were missed.",
    mechanism="Too little paint got there, or it was half dry when it landed.",
    families=(),
    causes=(),
    unseen=(
        "too little paint, a lost wet edge, poor light",
        "a gun too far away, or paint that dried on its way",
        "bare wood or filler that drinks",
        "a draught or sun where no probe sits",
    ),
    tell_apart="Rough like fine sandpaper: dry spray. Smooth but thin: missed. Over filler: it "
    "drank.",
    first_aid=_FIRST + "Abrade and coat the place again, to the nearest edge.",
    ask="Rough or smooth? Where the light was poor? Over filler?",
    words=("dry patch", "dry spot", "patchy", "thin", "missed", "holiday", "rough", "starved"),
    source=NO_SOURCE,
)

DUST_NIBS = Defect(
    name="dust-nibs",
    title="dust nibs",
    other_names=("dust", "bits", "nibs", "grit", "inclusions"),
    looks="Small hard points in the film, alone or in clouds; insects.",
    mechanism="What was in the air, on the floor, on clothes or in the tin lay down in wet paint.",
    families=(),
    causes=(),
    unseen=(
        "dry floor, a door, a draught, clothes, an old brush",
        "skin or gel in the tin that was not strained",
        "sanding dust in seams; a cover that flaps",
    ),
    tell_apart="All over: the air or the floor. In strokes: brush or tin. Near the door: the door.",
    first_aid=_FIRST + "Let it cure, knock the points off with fine paper, polish or coat again.",
    ask="All over, in strokes, or near the door? Hard or soft points?",
    words=("dust", "nib", "grit", "bits", "gritty", "insect", "speck", "fluff"),
    source=NO_SOURCE,
)

WRINKLING = Defect(
    name="wrinkling",
    title="wrinkling",
    other_names=("wrinkles", "crinkling", "crazing", "rivelling", "lifting of the undercoat"),
    looks="A skin drawn into fine folds, or an old coat that curled under the new one.",
    mechanism="The top sets over a soft layer and shrinks; or solvent swells the coat below.",
    families=(),
    causes=(),
    unseen=(
        "a film too thick",
        "a strong solvent over a weak or fresh coat of another kind",
        "a thinner that does not belong to it",
    ),
    tell_apart="In thick places alone: thickness. All over an old coat: the solvent.",
    first_aid=_FIRST + "Let it harden as far as it will, take off what is wrinkled, and coat thin.",
    ask="In thick places or all over? What lies below, and how old is it?",
    words=("wrinkl", "crinkl", "fold", "shrivel", "craz", "leather"),
    source=NO_SOURCE,
)

TAPE_BLEED = Defect(
    name="tape-bleed",
    title="tape bleed",
    other_names=("bleeding under tape", "paint under the tape", "ragged line", "creep"),
    looks="A ragged line, with paint drawn under the tape's edge.",
    mechanism="Thin paint creeps under an edge that was not pressed down, or over a rough ground.",
    families=(),
    causes=(),
    unseen=(
        "tape not pressed down, an old or a coarse tape",
        "a rough ground or a step under it",
        "paint thinned far, or flooded against the edge",
    ),
    tell_apart="A ragged line with paint below: bleed. A line that broke out: taken off too late.",
    first_aid=_FIRST + "Trim with a sharp blade along a rule, or polish back once cured.",
    ask="Paint under the tape, or the edge torn out?",
    words=("bleed", "bled", "under the tape", "ragged", "creep", "crept"),
    source=NO_SOURCE,
)

TAPE_RESIDUE = Defect(
    name="tape-residue",
    title="tape residue or lifted edge",
    other_names=("glue residue", "lifted edge", "torn edge", "tape marks", "stuck tape"),
    looks="Glue that stays, tape that tears, or an edge of paint that came off with it.",
    mechanism="Tape's glue hardens with time and warmth; a hard film breaks at its edge, a soft "
    "one pulls.",
    families=(),
    causes=(
        Cause(
            Sign.TAPE_LATE,
            0.0,
            0.1,
            (Stage.CURE,),
            Step.CURED,
            "glue hardens and the film grows over the edge",
            "the times are the spec's own; mechanism: " + NO_SOURCE,
        ),
        Cause(
            Sign.TAPE_EARLY,
            0.0,
            0.25,
            (Stage.FLASH,),
            Step.TOUCH_DRY,
            "a film that has not set pulls and strings at the edge",
            "the times are the spec's own; mechanism: " + NO_SOURCE,
        ),
    ),
    unseen=(
        "a tape not made for such a time or for sun",
        "pulled off fast, cold, or straight up",
        "tape over paint that was not hard",
    ),
    tell_apart="Glue on the hull: time or sun. Paint on the tape: too late, or poor hold below. "
    "Strings of paint: too early.",
    first_aid=_FIRST + "Pull slowly and flat; lift glue with the mildest thinner that the film "
    "stands.",
    ask="Glue left, or paint gone? How long was it on, in the sun?",
    words=("residue", "glue", "adhesive", "torn", "tear off", "lifted edge", "edge came", "stuck"),
    source=NO_SOURCE,
)

DEFECTS = (TAPE_RESIDUE, SAGS, DRY_PATCHES, DUST_NIBS, WRINKLING, TAPE_BLEED)
