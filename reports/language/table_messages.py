"""Words and sentences that are stored in tables and shown on pages, marked for the catalogue.

`{0}`, `{1}` are the arguments of a sentence stored as a template (`transforms/contracts/sentence.py`), or the numbers
in any other sentence. A test compares every table of a season with this list.
"""

from reports.language.translate import mark

WORDS = (
    mark("dry"),
    mark("moist"),
    mark("wet"),
    mark("light"),
    mark("medium"),
    mark("heavy"),
    mark("move"),
    mark("hold"),
    mark("try"),
    mark("forecast"),
    mark("as now"),
    mark("field"),
    mark("machine"),
    mark("day"),
    mark("clock"),
    mark("within"),
    mark("beyond {0} %"),
    mark("load"),
    mark("tare"),
    mark("telemetry"),
    mark("field boundary"),
    mark("machine setup"),
    mark("loss audit"),
    mark("weather hour"),
    mark("weather day"),
    mark("weather reading"),
    mark("forecast hour"),
    mark("not recognised"),
)
SETTINGS = (
    mark("topper speed"),
    mark("scalper height"),
    mark("share depth"),
    mark("share drive"),
    mark("ground speed"),
    mark("intake roller height"),
    mark("intake roller speed"),
    mark("rear roller speed"),
    mark("rear roller reversed"),
    mark("transfer web speed"),
    mark("first cleaner speed"),
    mark("second cleaner speed"),
    mark("third cleaner speed"),
    mark("first separator height"),
    mark("second separator height"),
    mark("third separator height"),
    mark("faster"),
    mark("slower"),
    mark("higher"),
    mark("lower"),
    mark("deeper"),
    mark("shallower"),
    mark("harder"),
    mark("gentler"),
    mark("forward"),
    mark("reversed"),
)
PRICES = (
    mark("paid per t of clean beet at the standard sugar content"),
    mark("standard sugar content"),
    mark("paid per t of clean beet and point of sugar above the standard"),
    mark("freight of soil"),
    mark("road distance where a field has no site"),
    mark("unloading and washing out soil"),
    mark("taking soil back to land"),
    mark("a harvester with its operator"),
    mark("worth of a t of white sugar, for what is lost in the pile"),
    mark("days in the pile, on average"),
    mark("temperature in the pile"),
    mark("more sugar lost per point of dirt tare"),
    mark("more sugar lost per point of top tare"),
    mark("days"),
)
EFFECTS = (
    mark("measured association within visits"),
    mark("confounded: between visits the sign is the other way; the within contrast is shown"),
    mark("too few loads: {0} measured, at least {1} are needed"),
    mark("not tried: it hardly moved within a visit"),
    mark("not tried: one machine only"),
    mark("no sign flips"),
    mark("the sign is the other way pooled: operators set by what they see"),
    mark("the sign is the other way between visits: operators set by what they see"),
    mark("the sign is the other way pooled and between visits: operators set by what they see"),
    mark("between visits it seems larger than within"),
    mark("between visits it seems smaller than within"),
    mark("share of variance"),
    mark("share of variance; a part is on the boundary of zero"),
    mark("not told apart: there is only one"),
    mark("not told apart: cannot be told from machine"),
    mark("too few loads to share the spread out"),
)
CHECKS = (
    mark("the next load's settings explain nothing, as it must be"),
    mark("too few loads follow each other within a visit"),
    mark(
        "the next load's settings seem to matter: drivers react to the load before, or loads are traced to a "
        "neighbour's minutes; read the effects with care and settle them by a trial"
    ),
    mark("error on fields not seen is {0} times gradient boosting's ({1} rows)"),
    mark("error on weeks not seen is {0} times gradient boosting's ({1} rows)"),
    mark("{0} times the error of 'as the last load'"),
    mark("too few fields to leave some out"),
    mark("too few weeks to leave some out"),
    mark("fewer than five fields"),
    mark("fewer than five machines"),
    mark("without field {0} the effect of {1} moves by {2} of its errors"),
    mark("without machine {0} the effect of {1} moves by {2} of its errors"),
    mark("errors by cluster of machines are up to {0} times the model's"),
    mark("no condition varies"),
    mark("{0} follows wetness most from visit to visit (correlation {1})"),
    mark("{0} % of rows lie beyond 3.5 standard deviations (a normal law: 0.05 %)"),
    mark(
        "{0} % of rows lie beyond 3.5 standard deviations (a normal law: 0.05 %); they were drawn in, which moved "
        "effects by at most {1} of their errors"
    ),
    mark("no site is known"),
    mark("too few days of a factory with five loads"),
    mark("residual means of a factory's days are {0} times as spread as chance makes them"),
    mark("not drawn again: the model is large; see METHODS.md"),
    mark("{0} % of {1} intervals hold the coefficient that data drawn from this fit were made with"),
    mark("last season's {0} coefficients agree with this one's and steady them"),
    mark("last season's {0} coefficients do not agree with this one's: they are not used"),
)
ADVICE = (
    mark("measured association"),
    mark("there is only one"),
    mark("too few loads: {0} measured and traced well, at least {1} are needed"),
    mark("cannot be told from the machine: each has one operator"),
)
TRACE: tuple[str, ...] = ()
