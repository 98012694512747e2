"""Every panel, lesson and exercise of the notebooks: `cordlab.panels`, each loaded when it is asked for."""

import lazy_loader

_PANELS = {
    "by_hand": ["model_panel", "record_panel"],
    "choose": ["chosen_folder", "sent_bundle", "stand", "start_panel"],
    "lessons": [
        "draw_promises",
        "guess_panel",
        "on_promises",
        "on_stretch",
        "on_wear",
        "promise_panel",
        "retest_panel",
    ],
    "panel": ["Panel"],
    "reviewing": ["answer_part", "contents", "headings", "report_entries", "review_panel", "signing"],
    "what_if": ["drop_panel", "rating_panel", "viscosity", "wear_panel"],
}
__getattr__, __dir__, __all__ = lazy_loader.attach("cordlab.notebook", submod_attrs=_PANELS)
