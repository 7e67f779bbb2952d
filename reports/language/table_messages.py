"""Words and sentences that are stored in tables and shown on pages, marked for the catalogue.

`{0}`, `{1}` are the numbers of a sentence. A test compares every table of a season with this list.
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
EFFECTS: tuple[str, ...] = ()
CHECKS: tuple[str, ...] = ()
ADVICE = ()
TRACE: tuple[str, ...] = ()
