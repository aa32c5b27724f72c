"""Defects of which a log of the air, the hull and the hands' times can show causes.

Bounds here count only where a film's own spec gives none. Sources are of the mechanism and the
bound; every scale is this program's own weighing and orders causes, no more.
"""

from __future__ import annotations

from rules.review.defects import NO_SOURCE, Cause, Defect, Sign
from rules.vocabulary import FILM_STAGES, Stage, Step

_WET = (Stage.APPLY, Stage.FLASH)

_MARGIN_SOURCE = (
    "3 K over the dew point: guidance of ISO 8502-4:2017, as other documents quote it; mechanism: "
)
_FIRST = "Try it on a small patch first, and ask the data sheet before anything else. "

_DEW = Cause(
    Sign.LOW_MARGIN,
    3.0,
    3.0,
    FILM_STAGES,
    None,
    "water settles on a film that has not set",
    _MARGIN_SOURCE + NO_SOURCE,
)
_DAMP = Cause(
    Sign.HIGH_HUMIDITY,
    85.0,
    15.0,
    FILM_STAGES,
    None,
    "damp air brings water to the film though none is seen on it",
    "85 % is common practice, no source",
)
_COLD = Cause(
    Sign.LOW_SURFACE,
    10.0,
    5.0,
    FILM_STAGES,
    Step.CURED,
    "below about 10 °C the reaction nearly stops",
    "standard epoxies nearly stop near 5 °C and some lie dormant below 13 °C: trade literature as "
    "other documents quote it; 10 °C is common practice, no source",
)

AMINE_BLOOM = Defect(
    name="amine-bloom",
    title="amine bloom or blush",
    other_names=("bloom", "amine blush", "amine sweating", "exudate", "greasy film"),
    looks="A greasy, waxy or sticky layer, or a milky haze that water wipes off or that dries to "
    "a white bloom; dull patches; the next coat does not hold.",
    mechanism="Amine at the surface takes carbon dioxide and water from the air and makes a salt; "
    "amine can also rise by itself in a film that is too cold to use it up.",
    families=("epoxy",),
    causes=(
        _DEW,
        _DAMP,
        Cause(
            Sign.LOW_SURFACE,
            10.0,
            5.0,
            FILM_STAGES,
            Step.HANDLE,
            "a cold film leaves amine unused at its surface, even in dry air",
            "a painter's published account of bloom in dry air over a cold floor; 10 °C is common "
            "practice, no source",
        ),
        Cause(
            Sign.HIGH_CO2,
            1500.0,
            2000.0,
            FILM_STAGES,
            Step.HANDLE,
            "carbon dioxide, from a flame in the enclosure for instance, is half of the reaction",
            "AMPP paper of 2005 on amine blush (abstract): gas heaters; "
            "1500 ppm is common practice, no source",
        ),
        Cause(
            Sign.INDUCTION_SHORT,
            0.0,
            0.25,
            (Stage.MIX,),
            Step.TOUCH_DRY,
            "a mix that has not stood has more free amine to give",
            "technical articles on induction; the time is the spec's own",
        ),
    ),
    unseen=(
        "parts off ratio, or too much hardener",
        "poor mixing: scrape sides and bottom of the pot",
        "a hardener with much free low-weight amine",
        "still air in corners, or a film laid too thick",
    ),
    tell_apart="A wet white cloth comes away greasy and the haze goes with warm water: amine. "
    "Where water changes nothing and the gloss is lost inside the film, think of moisture blush. "
    "A pH paper is a hint only: the salt need not be alkaline.",
    first_aid=_FIRST + "Wash with clean water and a pad, rinse, dry with clean cloths, and repeat "
    "until a fresh wet cloth stays clean; only then abrade. Solvent spreads it.",
    ask="Is it greasy or waxy to the finger? Does warm water take it off? Is it worst low down, "
    "at the keel, at cold fittings?",
    words=("greas", "wax", "oily", "slimy", "milky", "sticky", "haze", "hazy", "white", "salt",
           "soapy", "bloom", "sweat", "cloud"),
    source="AMPP paper of 2005 on amine blush (abstract) and technical articles; washing: "
    + NO_SOURCE,
)  # fmt: skip

MOISTURE_BLUSH = Defect(
    name="moisture-blush",
    title="moisture blush or gloss loss",
    other_names=("blush", "blushing", "gloss loss", "loss of gloss", "dulling", "water spots"),
    looks="Milky, cloudy or dull where it was glossy, often by the morning; round water spots; "
    "worst low down and on cold parts.",
    mechanism="Dew or damp air meets a film that has not cured: water spoils the surface, and in a "
    "polyurethane takes the hardener's place. Solvent that leaves fast can cool a film below the "
    "dew point by itself.",
    families=(),
    causes=(_DEW, _DAMP),
    unseen=(
        "a thinner that leaves too fast, which cools the film",
        "rain, spray or a drip from the cover",
        "a film too thin, or a porous ground that drinks the gloss",
        "wiping or polishing too early",
    ),
    tell_apart="Greasy, and gone with warm water: amine bloom (epoxies). Dull and dry, and not to "
    "be washed off: moisture. Dull only where the sun or a lamp stood: heat.",
    first_aid=_FIRST + "Let it cure, then judge: slight dulling can often be cut and polished; a "
    "milky or spotted film is abraded and coated again. Dew before cure is not undone.",
    ask="Milky or only dull? By the morning, or at once? Spots as of drops? Low down?",
    words=("milky", "dull", "matt", "matte", "flat", "gloss", "cloud", "white", "water spot",
           "spots", "haze", "hazy", "blush", "bloomed"),
    source="Condensation before cure costs gloss: trade literature as other documents quote it; "
    + NO_SOURCE,
)  # fmt: skip

BUBBLES = Defect(
    name="bubbles",
    title="bubbles and pinholes",
    other_names=("pinholes", "pinholing", "blisters", "craters", "outgassing", "foaming"),
    looks="Small bubbles in the film, burst craters, or holes like pin pricks down to the ground.",
    mechanism="Isocyanate and water make carbon dioxide inside the film; air in timber expands "
    "when the hull warms after coating and blows through the film.",
    families=(),
    causes=(
        Cause(
            Sign.HIGH_HUMIDITY,
            80.0,
            15.0,
            FILM_STAGES,
            Step.HANDLE,
            "isocyanate takes water from damp air and gives off carbon dioxide",
            "technical literature on isocyanate and water; 80 % for two-pack polyurethane is "
            "common practice, no source",
            families=("polyurethane",),
        ),
        Cause(
            Sign.LOW_MARGIN,
            3.0,
            3.0,
            _WET,
            Step.TOUCH_DRY,
            "water on the surface goes into the film and gives off gas",
            _MARGIN_SOURCE + "technical literature on isocyanate and water",
            families=("polyurethane",),
        ),
        Cause(
            Sign.SURFACE_RISE,
            8.0,
            5.0,
            _WET,
            Step.TOUCH_DRY,
            "timber that warms after coating pushes its air out through the film",
            NO_SOURCE,
        ),
    ),
    unseen=(
        "air beaten in by stirring, shaking or a fast roller",
        "damp or end-grain timber, an unsealed ground, old pinholes",
        "a film too thick at once",
        "a wrong or wet thinner; water in the gun's air",
    ),
    tell_apart="Holes in the same places after each coat: the ground breathes. Fine bubbles all "
    "over in a polyurethane: water. Only where the roller turned: the hand. After heat: solvent.",
    first_aid=_FIRST + "Let it cure, abrade the tops off, fill what stays open, and coat again; "
    "start when the hull's temperature falls, not when it rises.",
    ask="All over or at end grain and seams? While rolling, or later? Open holes or closed domes?",
    words=("bubbl", "pinhol", "pin hol", "hole", "crater", "blister", "foam", "prick", "fizz"),
    source="Isocyanate and water: technical literature (2 NCO a water, carbon dioxide freed); "
    "timber: " + NO_SOURCE,
)  # fmt: skip

SOLVENT_POP = Defect(
    name="solvent-pop",
    title="solvent pop",
    other_names=("popping", "solvent boil", "solvent trapping", "boiling"),
    looks="Many small craters or blisters with burst tops, most where the film is thick or was "
    "warmed.",
    mechanism="The film skins over while solvent is still below; what leaves later breaks the "
    "skin. Heat too early, or a coat too soon over the last one, does it.",
    families=(),
    causes=(
        Cause(
            Sign.SURFACE_RISE,
            8.0,
            5.0,
            _WET,
            Step.TOUCH_DRY,
            "heat on a wet film dries its skin before the solvent below has left",
            NO_SOURCE,
        ),
        Cause(
            Sign.HIGH_SURFACE,
            35.0,
            5.0,
            (Stage.APPLY,),
            Step.TOUCH_DRY,
            "on a hot ground the skin closes at once",
            NO_SOURCE,
        ),
        Cause(
            Sign.RECOAT_EARLY,
            0.0,
            0.25,
            (Stage.APPLY,),
            Step.TOUCH_DRY,
            "a coat laid over one that still gives off solvent shuts it in",
            "the time is the spec's own; mechanism: " + NO_SOURCE,
        ),
    ),
    unseen=(
        "a film too thick",
        "too fast a thinner, which skins over; or one too slow for the heat",
        "sun or a lamp on one side where no probe sits",
    ),
    tell_apart="Bubbles of a polyurethane in damp air look alike: ask for the humidity. Pop "
    "follows thickness and heat; gas from timber follows the grain.",
    first_aid=_FIRST + "Give the solvent time to leave. Then abrade to below the craters and coat "
    "again thinner.",
    ask="Was it heated, or coated twice in a day? Worst where it is thick or in the sun?",
    words=("pop", "burst", "boil", "crater", "blister", "solvent", "volcano"),
    source=NO_SOURCE,
)

BRUSH_MARKS = Defect(
    name="brush-marks",
    title="brush or roller marks, set too fast",
    other_names=("brush marks", "roller marks", "ropiness", "lap marks", "drag", "orange peel"),
    looks="Strokes, laps or a roller's texture that stayed; the brush dragged and the wet edge "
    "was gone.",
    mechanism="The paint thickens before it has levelled: by heat, by age in the pot, or because "
    "it is so cold that it never flows.",
    families=(),
    causes=(
        Cause(
            Sign.HIGH_SURFACE,
            35.0,
            5.0,
            _WET,
            Step.TOUCH_DRY,
            "on a hot surface solvent leaves and the film sets before it levels",
            "10 to 35 °C for application is common practice, no source",
        ),
        Cause(
            Sign.HIGH_AIR,
            35.0,
            5.0,
            _WET,
            Step.TOUCH_DRY,
            "hot air takes the solvent before the film levels",
            "10 to 35 °C for application is common practice, no source",
        ),
        Cause(
            Sign.LOW_SURFACE,
            10.0,
            5.0,
            (Stage.APPLY,),
            Step.TOUCH_DRY,
            "cold paint is thick and does not flow out",
            NO_SOURCE,
        ),
        Cause(
            Sign.POT_OVER,
            0.0,
            0.25,
            (Stage.APPLY,),
            Step.TOUCH_DRY,
            "paint near the end of its pot life is thick, whatever thinner goes in",
            "the time is the spec's own; mechanism: " + NO_SOURCE,
        ),
    ),
    unseen=(
        "too little or too fast a thinner",
        "brushing on after the film had begun to set",
        "a poor or loaded brush, too little paint on it",
        "a draught or sun on the work where no probe sits",
    ),
    tell_apart="Marks all over: material or weather. Marks at laps alone: the pace. Marks in the "
    "last third of a coat alone: the pot.",
    first_aid=_FIRST + "Let it cure, abrade level, and coat again cooler, with a fresh pot and "
    "the thinner that the sheet names for the heat.",
    ask="All over, at laps, or only in the last part? Did the brush drag? How old was the pot?",
    words=("brush", "stroke", "roller mark", "lap", "drag", "ropy", "orange peel", "texture",
           "stipple", "did not level", "not level"),
    source=NO_SOURCE,
)  # fmt: skip

SOFT_CURE = Defect(
    name="soft-cure",
    title="soft or slow cure",
    other_names=("soft film", "slow cure", "not hard", "tacky", "undercured"),
    looks="Soft to the nail, tacky, prints and clogs the paper long after it should be hard.",
    mechanism="The reaction wants warmth and the right parts; what solvent is shut in keeps a film "
    "soft as well.",
    families=(),
    causes=(
        _COLD,
        Cause(
            Sign.RECOAT_EARLY,
            0.0,
            0.25,
            (Stage.APPLY,),
            Step.TOUCH_DRY,
            "solvent shut in by the next coat leaves slowly",
            "the time is the spec's own; mechanism: " + NO_SOURCE,
        ),
    ),
    unseen=(
        "parts off ratio, the wrong hardener, or one gone off in an opened tin",
        "poor mixing: soft streaks or patches",
        "too much or a wrong thinner",
        "a film too thick, or still air that keeps the solvent",
        "oil, wax or silicone from the ground",
    ),
    tell_apart="Soft all over and hardening as it warms: the cold. Soft in streaks: mixing. Soft "
    "for ever: ratio or hardener. Sticky on top and hard below: bloom.",
    first_aid=_FIRST + "Give it time within the sheet's limits; in the cold it waits for milder "
    "days. What is still soft after that comes off.",
    ask="All over or in streaks? Does it get harder day by day? Does a nail mark it?",
    words=("soft", "tack", "sticky", "gumm", "slow", "not hard", "not dry", "uncured", "print",
           "rubber"),
    source="Rates by temperature: ASTM C1074's equivalent age with published activation energies; "
    "else " + NO_SOURCE,
)  # fmt: skip

POOR_ADHESION = Defect(
    name="poor-adhesion",
    title="poor adhesion between coats",
    other_names=("peeling", "flaking", "delamination", "lifting", "intercoat adhesion"),
    looks="The upper coat peels, flakes or comes off with tape, clean from the coat below.",
    mechanism="The coat below was too hard for the next one to bite, or carried water, amine or "
    "dirt.",
    families=(),
    causes=(
        Cause(
            Sign.RECOAT_LATE,
            0.0,
            0.1,
            (Stage.APPLY,),
            Step.TOUCH_DRY,
            "past the recoat window the coats no longer react with each other",
            "the time is the spec's own; mechanism: " + NO_SOURCE,
        ),
        Cause(
            Sign.WET_BEFORE,
            3.0,
            1.5,
            (Stage.PREP, Stage.APPLY),
            Step.TOUCH_DRY,
            "water on the ground keeps the coat off it",
            _MARGIN_SOURCE + NO_SOURCE,
        ),
        Cause(
            Sign.BLOOM_BELOW,
            0.0,
            1.0,
            (Stage.PREP,),
            Step.HANDLE,
            "an amine layer that was not washed off lies between the coats",
            "hidden blush loosens the next coat: AMPP paper of 2005 (abstract)",
        ),
    ),
    unseen=(
        "dust, wax, silicone, fingerprints, an unclean wipe",
        "no abrasion, or abrasion with a clogged paper",
        "a coating that does not go over the one below",
    ),
    tell_apart="Peels from the coat below: between coats. Peels from the wood with it: the "
    "ground. A greasy underside: bloom. White underside: water.",
    first_aid=_FIRST + "Find how far it goes with a blade and tape, take off all that lifts, wash, "
    "abrade to sound paint, and coat within the window.",
    ask="Between which coats does it part? Is the underside shiny, greasy, white? All over?",
    words=("peel", "flak", "lift", "adhesion", "delamin", "comes off", "came off", "scrapes off",
           "let go", "not stick"),
    source="AMPP paper of 2005 (abstract) for bloom; else " + NO_SOURCE,
)  # fmt: skip

DEFECTS = (
    AMINE_BLOOM,
    MOISTURE_BLUSH,
    BUBBLES,
    SOLVENT_POP,
    BRUSH_MARKS,
    SOFT_CURE,
    POOR_ADHESION,
)
