"""Words and sentences that tables hold and pages show, marked for the catalogue.

`{0}`, `{1}` are the arguments of a sentence stored as a template (`transforms/sentence.py`), or the numbers of any
other. A test checks every table of a season against this list.
"""

from reports.language.translate import mark

WORDS = (
    mark("dry"), mark("moist"), mark("wet"), mark("light"), mark("medium"), mark("heavy"),
    mark("move"), mark("hold"), mark("try"), mark("forecast"), mark("as now"),
    mark("field"), mark("machine"), mark("day"), mark("clock"),
    mark("within"), mark("beyond {0} %"),
    mark("load"), mark("tare"), mark("telemetry"), mark("field boundary"), mark("machine setup"), mark("loss audit"),
    mark("weather hour"), mark("weather day"), mark("weather reading"), mark("forecast hour"), mark("not recognised"),
)  # fmt: skip
SETTINGS = (
    mark("topper speed"), mark("scalper height"), mark("share depth"), mark("share drive"), mark("ground speed"),
    mark("intake roller height"), mark("intake roller speed"), mark("rear roller speed"), mark("rear roller reversed"),
    mark("transfer web speed"), mark("first cleaner speed"), mark("second cleaner speed"), mark("third cleaner speed"),
    mark("first separator height"), mark("second separator height"), mark("third separator height"),
    mark("faster"), mark("slower"), mark("higher"), mark("lower"), mark("deeper"), mark("shallower"), mark("harder"),
    mark("gentler"), mark("forward"), mark("reversed"),
)  # fmt: skip
PRICES = (
    mark("paid per t of clean beet at the standard sugar content"), mark("standard sugar content"),
    mark("paid per t of clean beet and point of sugar above the standard"), mark("freight of soil"),
    mark("road distance where a field has no site"), mark("unloading and washing out soil"),
    mark("taking soil back to land"), mark("a harvester with its operator"),
    mark("worth of a t of white sugar, for what is lost in the pile"), mark("days in the pile, on average"),
    mark("temperature in the pile"), mark("more sugar lost per point of dirt tare"),
    mark("more sugar lost per point of top tare"), mark("days"),
)  # fmt: skip
EFFECTS = (
    mark("measured association within visits"),
    mark("confounded: between visits the sign is the other way; the within contrast is shown"),
    mark("too few loads: {0} measured, at least {1} are needed"),
    mark("not tried: it hardly moved within a visit"), mark("not tried: one machine only"),
    mark("no sign flips"), mark("the sign is the other way pooled: operators set by what they see"),
    mark("the sign is the other way between visits: operators set by what they see"),
    mark("the sign is the other way pooled and between visits: operators set by what they see"),
    mark("between visits it seems larger than within"), mark("between visits it seems smaller than within"),
    mark("share of variance"), mark("share of variance; a part is on the boundary of zero"),
    mark("not told apart: there is only one"), mark("not told apart: cannot be told from machine"),
    mark("too few loads to share the spread out"),
)  # fmt: skip
CHECKS = (
    mark("the next load's settings explain nothing, as it must be"),
    mark("too few loads follow each other within a visit"),
    mark("the next load's settings seem to matter: drivers react to the load before, or loads are traced to a "
         "neighbour's minutes; read the effects with care and settle them by a trial"),
    mark("error on fields not seen is {0} times gradient boosting's ({1} rows)"),
    mark("error on weeks not seen is {0} times gradient boosting's ({1} rows)"),
    mark("{0} times the error of 'as the last load'"), mark("too few fields to leave some out"),
    mark("too few weeks to leave some out"), mark("fewer than five fields"), mark("fewer than five machines"),
    mark("without field {0} the effect of {1} moves by {2} of its errors"),
    mark("without machine {0} the effect of {1} moves by {2} of its errors"),
    mark("errors by cluster of machines are up to {0} times the model's"), mark("no condition varies"),
    mark("{0} follows wetness most from visit to visit (correlation {1})"),
    mark("{0} % of rows lie beyond 3.5 standard deviations (a normal law: 0.05 %)"),
    mark("{0} % of rows lie beyond 3.5 standard deviations (a normal law: 0.05 %); they were drawn in, which moved "
         "effects by at most {1} of their errors"), mark("no site is known"),
    mark("too few days of a factory with five loads"),
    mark("residual means of a factory's days are {0} times as spread as chance makes them"),
    mark("not drawn again: the model is large; see METHODS.md"),
    mark("{0} % of {1} intervals hold the coefficient that data drawn from this fit were made with"),
    mark("last season's {0} coefficients agree with this one's and steady them"),
    mark("last season's {0} coefficients do not agree with this one's: they are not used"),
)  # fmt: skip
ADVICE = (
    mark("flat: as usual, no value tried is told from the best"), mark("best of those tried"),
    mark("as usual: root loss cannot be weighed here"), mark("{0} % of visits of this kind lie within"),
    mark("too few loads: {0} in the fleet, {1} of this kind"),
    mark("raises dirt, saves roots: worth it at these prices"),
    mark("costs roots, saves dirt: worth it at these prices"),
    mark("nothing within what was tried is better with enough certainty"),
    *(mark("too few loads of the fleet on light soil with dry topsoil"),
      mark("too few loads of the fleet on light soil with moist topsoil"),
      mark("too few loads of the fleet on light soil with wet topsoil"),
      mark("too few loads of the fleet on medium soil with dry topsoil"),
      mark("too few loads of the fleet on medium soil with moist topsoil"),
      mark("too few loads of the fleet on medium soil with wet topsoil"),
      mark("too few loads of the fleet on heavy soil with dry topsoil"),
      mark("too few loads of the fleet on heavy soil with moist topsoil"),
      mark("too few loads of the fleet on heavy soil with wet topsoil")),
    mark("measured association"), mark("there is only one"),
    mark("too few loads: {0} measured and traced well, at least {1} are needed"),
    mark("cannot be told from the machine: each has one operator"),
    mark("B is dirtier than A"), mark("B is cleaner than A"),
    mark("no difference is shown"), mark("the interval says how large one may still be"),
    mark("too few pairs are measured: {0} of {1}, {2} at the least"),
)  # fmt: skip
TRACE = (
    mark("traced by its emptied tanks"), mark("the log was silent for part of it"),
    mark("the machine's emptyings are not seen: its mass curve was followed"),
    mark("weighed and lifted mass of that work differ {0} % from its usual"),
    mark("it fits nothing that was lifted here: its ticket may name the wrong field"),
    mark("several machines in the field and it is not sure whose it is"),
    mark("its ticket names a machine without telemetry in this field at that time"),
    mark("no machine worked in this field within hours of it"), mark("no telemetry in this field"),
    mark("it left long after the work, and all that was lifted had been hauled before"),
    mark("loaded long after the work from a heap: spread over all that lay there"),
)  # fmt: skip
