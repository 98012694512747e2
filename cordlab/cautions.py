"""What stands with every answer, whatever the campaign: in full for a report, in four lines for a terminal."""

CAUTIONS = (
    "cordlab certifies nothing: a licensed or certified engineer signs.",
    "The local rules and the maker's limits win wherever they are stricter; cordlab has no limits of its own.",
    "Outside the tested mass, stretch, jump count and temperature the cords are not rated.",
    "Curves of new cords do not describe worn cords.",
    "A dead weight is not a person. Of the body the numbers hold what [site] says: reach, gear, drag area, the energy "
    "of turning over and of a push-off. They do not hold the g of who still turns or spins when the slack ends "
    "and swings then (a stiff body of 33 kg had a fifth to a half more in a model), posture, a second rider, what the "
    "harness does to a body, and health.",
    "Both ends count: the lightest rider feels the greatest g, the heaviest comes lowest.",
    "Keep people clear below and beside test drops; cordlab does not check crane, anchors, harness, connectors or "
    "release gear.",
    "A cord that touched solvent, was cut or behaved oddly goes out of use whatever the numbers say.",
    "The limits take cords to be normal, which a few cords cannot show. Whatever their law, the softest of n that were "
    "tested covers the next one with a chance of 1 − 1/(n + 1): that of 6 covers 6 of 7, and 99 % takes 99 cords.",
)

STANDING = (  # `CAUTIONS` in four lines, for a terminal; the report has them in full
    "cordlab certifies nothing: a licensed or certified engineer signs; stricter local rules and maker's limits win.",
    "Only what was tested is rated: masses, stretch, jump counts, temperatures; new cords do not speak for worn ones.",
    "A dead weight is not a person; both ends count: the lightest rider feels the greatest g, the heaviest is lowest.",
    "People stay clear below and beside drops; a cord that was cut, touched solvent or behaved oddly goes out of use.",
)
