"""Units, zones, sides and classes in headers of any language."""

import pytest

from transforms.ingest.propose.header import parse_name, parse_names
from transforms.ingest.propose.lexicon import build_lexicon, package_lexicon
from transforms.ingest.propose.matching import likeness, phrases_of
from transforms.ingest.propose.unit_text import read_unit


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("Speed [km/h]", "kmh"),
        ("Turbine 1 (U/min)", "rpm"),
        ("Schmutz v.H.", "pct"),
        ("Загрязнённость (‰)", "permille"),
        ("Gewicht qt", "dt"),
        ("Depth (in)", "in"),
        ("Dirt %", "pct"),
        ("Масса, кг", "kg"),
        ("Обороты, об/мин", "rpm"),
        ("kalium_mmol_kg", "mmol/kg"),
        ("share_depth_cm", "cm"),
        ("Radiation (J/cm²)", "J/cm2"),
    ],
)
def test_a_unit_in_the_header_is_recognized(header, unit):
    text = parse_name(header, package_lexicon()).unit_text
    assert text is not None
    assert read_unit(text) == unit


@pytest.mark.parametrize("header", ["Kalium K", "Time in", "Bruch 2-4 cm", "Stalks over 2 cm", "bruch_2_4_cm", "ton"])
def test_words_symbols_and_bounds_of_classes_are_no_units(header):
    assert parse_name(header, package_lexicon()).unit_text is None


@pytest.mark.parametrize(
    ("header", "zone"),
    [("Zeit (UTC)", "UTC"), ("Time GMT", "UTC"), ("Zeit [UTC+2]", "Etc/GMT-2"), ("Zeit", None)],
)
def test_a_zone_in_the_header_is_recognized(header, zone):
    name = parse_name(header, package_lexicon())
    assert name.zone == zone
    assert name.has("time")


def test_percent_of_a_stated_scale_needs_no_question():
    name = parse_name("Topper (% of 80 rpm)", package_lexicon())
    assert (name.unit_text, name.full_scale) == ("%", 80.0)


@pytest.mark.parametrize(
    ("left", "right"), [("Depth LH", "Depth RH"), ("Tiefe links", "Tiefe rechts"), ("Głębokość L", "Głębokość P")]
)
def test_left_and_right_are_one_name_with_two_columns(left, right):
    names = {n.sources for n in parse_names([left, right, "Speed"], package_lexicon())}
    assert names == {(left, right), ("Speed",)}


def best(kind: str, header: str) -> tuple[str, float]:
    """Return (table column, similarity) of the column that a header is most like."""
    lexicon = package_lexicon()
    name = parse_name(header, lexicon)
    scores = {c: max(likeness(name, p) for p in phrases) for c, phrases in phrases_of(lexicon, kind, ()).items()}
    column = max(scores, key=lambda c: scores[c])
    return column, scores[column]


@pytest.mark.parametrize(
    ("kind", "header", "column"),
    [
        ("telemetry", "Share depth", "share_depth_cm"),
        ("telemetry", "Rodetiefe", "share_depth_cm"),
        ("telemetry", "Profondeur d'arrachage", "share_depth_cm"),
        ("telemetry", "Głębokość lemieszy", "share_depth_cm"),
        ("telemetry", "Rooidiepte", "share_depth_cm"),
        ("telemetry", "Profundidad de rejas", "share_depth_cm"),
        ("telemetry", "Глубина копки", "share_depth_cm"),
        ("telemetry", "Glubina kopki", "share_depth_cm"),
        ("telemetry", "Hloubka radlic", "share_depth_cm"),
        ("telemetry", "Siebsterndrehzahl 2", "cleaner_2_speed_rpm"),
        ("telemetry", "Prędkość jazdy", "ground_speed_kmh"),
        ("telemetry", "Fahrgeschw.", "ground_speed_kmh"),
        ("telemetry", "Leitrosthöhe 1", "separator_1_height_mm"),
        ("load", "Nr kwitu", "load_id"),
        ("load", "Albarán", "load_id"),
        ("load", "№ накладной", "load_id"),
        ("load", "Číslo vážního lístku", "load_id"),
        ("tare", "Zanieczyszczenia", "dirt_tare_pct"),
        ("tare", "Tare terre", "dirt_tare_pct"),
        ("tare", "Сахаристость", "sugar_pct"),
        ("field", "Rozstaw rzędów", "row_spacing_cm"),
        ("machine_setup", "Kapacita zásobníku", "tank_capacity_t"),
        ("machine_setup", "Cleaning element 4", "cleaner_4_elements"),
        ("weather_day", "Temperatura máxima", "air_temp_max_c"),
    ],
)
def test_terms_of_the_trade_are_known_in_eight_languages(kind, header, column):
    assert best(kind, header)[0] == column
    assert best(kind, header)[1] >= 0.9


def test_a_slip_of_one_letter_is_less_sure_than_the_word():
    assert best("telemetry", "machne id") == ("machine_id", pytest.approx(0.85))


def test_a_workspace_adds_words_and_phrases():
    lexicon = build_lexicon({"concepts": {"depth": ["djup"]}, "telemetry": {"share_depth_cm": ["wobblefoo"]}})
    phrases = phrases_of(lexicon, "telemetry", ())
    for header in ("Djup", "Wobblefoo"):
        assert max(likeness(parse_name(header, lexicon), p) for p in phrases["share_depth_cm"]) >= 0.9
    assert not package_lexicon().tokens("Wobblefoo")[0].concepts
