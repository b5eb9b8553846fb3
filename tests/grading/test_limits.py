import hashlib
from pathlib import Path

import pytest

from grading.figure_kinds import FIGURE_KINDS
from grading.judgement.limits import general_limits, load_limits, parse_limits
from grading.judgement.limits_file import schema_of
from rig_configs.files.checked_toml import FileError
from rig_configs.files.shipped_files import shipped_names

NEWEST = max(kind.since for kind in FIGURE_KINDS.values())
REQUIRED = "[figures.oxygen_output_mv]\nrequired = true"
GENERAL = load_limits().text


def changed(*swaps):
    text = GENERAL
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def problem(text):
    with pytest.raises(FileError) as raised:
        parse_limits(text, "shop.toml")
    return str(raised.value)


def test_general_file_says_where_its_numbers_come_from_and_what_is_required():
    limits = load_limits()
    assert limits.name == "general"
    assert "no source" in limits.basis
    assert "from memory" in limits.basis
    assert limits.sha256 == hashlib.sha256(GENERAL.encode()).hexdigest()
    assert limits.not_graded == ()
    assert [key for key, figure in limits.figures.items() if figure.required] == ["oxygen_output_mv"]
    assert limits.by_step["indication_error_percent"].required_from_po2_bar == 1.6
    assert limits.loosened == ()


@pytest.mark.parametrize(
    ("key", "pass_limits", "reject_limits"),
    [
        ("air_output_mv", (8.4, 14.0), (7.2, 16.0)),
        ("oxygen_output_mv", (40.0, 67.0), (34.0, 76.0)),
        ("linear_to_bar", (2.0, None), (1.6, None)),
        ("air_slope_agreement_percent", (-3.0, 3.0), (-6.0, 6.0)),
        ("t90_s", (None, 6.0), (None, 15.0)),
        ("hysteresis_percent", (None, 1.0), (None, 2.5)),
        ("fade_percent_per_min", (None, 0.5), (None, 2.0)),
        ("noise_percent", (None, 0.2), (None, 1.0)),
    ],
)
def test_general_limits_are_the_designed_ones(key, pass_limits, reject_limits):
    found = general_limits().find(key)
    assert (found.pass_limits, found.reject_limits) == (pass_limits, reject_limits)


@pytest.mark.parametrize(
    ("nominal", "most"),
    [
        (1.1, None),
        (1.14, None),
        (1.16, 2.5),
        (1.2, 2.5),
        (1.6, 2.5),
        (1.64, 2.5),
        (1.66, 5.0),
        (1.7, 5.0),
        (1.8, 5.0),
        (2.0, 5.0),
        (2.04, 5.0),
        (2.06, None),
        (2.1, None),
    ],
)
def test_indication_error_is_held_to_the_band_of_its_step(nominal, most):
    found = general_limits().find("indication_error_percent", nominal)
    assert (found.pass_limits[1] if found else None) == most


@pytest.mark.parametrize(
    ("swaps", "words"),
    [
        (
            [("pass_least = 8.4", "pass_leats = 8.4")],
            ["shop.toml:17", "pass_leats", "did you mean 'pass_least'?"],
        ),
        ([("[figures.t90_s]", "[figures.t9_s]")], ["figures.t9_s", "did you mean 't90_s'?"]),
        (
            [("pass_least = 8.4", 'pass_least = "8.4"')],
            ["figures.air_output_mv.pass_least", "number", "'8.4'"],
        ),
        ([("pass_least = 8.4", "pass_least = nan")], ["figures.air_output_mv.pass_least", "finite"]),
        (
            [("reject_below = -10.0", "reject_below = -1.0")],
            ["bands[2]", "reject_below -1 must be less than pass_least -5"],
        ),
        ([("pass_most = 6.0\n", "")], ["figures.t90_s", "reject_above is given without pass_most"]),
        ([("pass_most = 6.0\nreject_above = 15.0\n", "")], ["figures.t90_s", "has no limit"]),
        (
            [("to_po2_bar = 1.6", "to_po2_bar = 1.8")],
            ["bands must rise", "ends at 1.8, the next begins at 1.8"],
        ),
        ([('"leadline.limits/', '"leadline.limits/9')], ["schema", "did you mean 'leadline.limits/"]),
        ([('version = "1"\n', "")], ["version: missing"]),
        ([("[figures.t90_s]", "[figures.t90_s")], ["shop.toml:64", "not valid TOML"]),
        ([(REQUIRED, f"{REQUIRED}\nuse = false")], ["oxygen_output_mv", "can't be both"]),
        (
            [("required_from_po2_bar = 1.6", "required_from_po2_bar = 1.6\nuse = false")],
            ["indication_error_percent", "can't be both"],
        ),
        (
            [("reject_below = 7.2", "reject_below = 8.4")],
            ["reject_below 8.4 must be less than pass_least 8.4"],
        ),
        (
            [("reject_above = 16.0", "reject_above = 13.0")],
            ["reject_above 13 must be more than pass_most 14"],
        ),
        (
            [("reject_above = 16.0", "reject_above = 14.0")],
            ["reject_above 14 must be more than pass_most 14"],
        ),
        ([("pass_most = 14.0", "pass_most = 8.4")], ["pass_least 8.4 must be less than pass_most 8.4"]),
        ([("pass_most = 14.0", "pass_most = 8.0")], ["pass_least 8.4 must be less than pass_most 8"]),
        ([("from_po2_bar = 1.2", "from_po2_bar = 1.7")], ["from_po2_bar 1.7 is above to_po2_bar 1.6"]),
        ([("from_po2_bar = 1.2", "from_po2_bar = 1.0")], ["from_po2_bar"]),
        ([("reference_temperature_c = 25.0", "reference_temperature_c = 60.1")], ["reference_temperature_c"]),
        ([("reference_temperature_c = 25.0", "reference_temperature_c = -5.1")], ["reference_temperature_c"]),
        ([('name = "general"', 'name = ""')], ["name"]),
        ([('version = "1"', 'version = ""')], ["version"]),
        ([("leadline.limits/1", schema_of(NEWEST + 1))], ["schema", "leadline.limits/1"]),
    ],
)
def test_a_bad_file_is_reported_by_file_field_and_remedy(swaps, words):
    text = problem(changed(*swaps))
    for word in words:
        assert word in text
    assert all(line.startswith("shop.toml") for line in text.splitlines())


@pytest.mark.parametrize(
    ("swaps", "figure", "how"),
    [
        (
            [("pass_most = 6.0", "pass_most = 8.0")],
            "t90_s",
            "its pass limits are at most 8 s, not at most 6 s",
        ),
        ([("reject_above = 15.0", "reject_above = 20.0")], "t90_s", "its reject limits"),
        ([("pass_most = 6.0", "pass_most = 6.0\nuse = false")], "t90_s", "is switched off"),
        ([(REQUIRED, REQUIRED.replace("true", "false"))], "oxygen_output_mv", "is not required"),
        ([("required_from_po2_bar = 1.6", "")], "indication_error_percent", "is not required"),
        (
            [("required_from_po2_bar = 1.6", "required_from_po2_bar = 1.4")],
            "indication_error_percent",
            "is required from 1.4 bar only",
        ),
        ([("pass_most = 2.5", "pass_most = 3.0")], "indication_error_percent", "at 1.2 bar"),
        ([("to_po2_bar = 2.0", "to_po2_bar = 1.9")], "indication_error_percent", "has no limit at 2.0 bar"),
        ([("pass_least = 8.4\n", ""), ("reject_below = 7.2\n", "")], "air_output_mv", "its pass limits"),
        ([("pass_least = 8.4", "pass_least = 8.0")], "air_output_mv", "its pass limits are 8 to 14"),
        (
            [("pass_most = 14.0\n", ""), ("reject_above = 16.0\n", "")],
            "air_output_mv",
            "its reject limits are at least 7.2",
        ),
    ],
)
def test_loosening_needs_a_justification_which_is_kept(swaps, figure, how):
    text = changed(('name = "general"', 'name = "shop"'), *swaps)
    reported = problem(text)
    assert figure in reported
    assert how in reported
    assert "justification" in reported
    justified = text.replace(f"[figures.{figure}]", f'[figures.{figure}]\njustification = "maker says so"')
    limits = parse_limits(justified, "shop.toml")
    assert any(how in line and "maker says so" in line for line in limits.loosened)


def test_what_a_file_may_say_at_its_borders():
    text = changed(
        ('name = "general"', 'name = "x"'),
        (f'basis = "{general_limits().basis}"', 'basis = "-"'),
        ("reference_temperature_c = 25.0", "reference_temperature_c = 60.0"),
        ("to_po2_bar = 1.6", "to_po2_bar = 1.2"),
    )
    limits = parse_limits(text, "shop.toml", check_loosening=False)
    assert (limits.name, limits.reference_temperature_c) == ("x", 60.0)
    assert limits.find("indication_error_percent", 1.2).pass_limits == (-2.5, 2.5)
    assert limits.find("indication_error_percent", 1.2).required is False
    cold = changed(("reference_temperature_c = 25.0", "reference_temperature_c = -5.0"))
    assert parse_limits(cold, "shop.toml").reference_temperature_c == -5.0
    unsaid = changed(("reference_temperature_c = 25.0\n", ""))
    assert parse_limits(unsaid, "shop.toml").reference_temperature_c == 25.0


def test_a_figure_that_is_switched_off_needs_no_limits():
    text = changed(
        ("pass_most = 6.0\nreject_above = 15.0\n", 'use = false\njustification = "no fast logger"\n'),
    )
    assert not parse_limits(text, "shop.toml").is_used("t90_s")
    before, _, after = GENERAL.partition("[figures.indication_error_percent]")
    rest = after[after.index("# The highest PO2") :]
    off = f'{before}[figures.indication_error_percent]\nuse = false\njustification = "no pot"\n\n{rest}'
    limits = parse_limits(off, "shop.toml")
    assert not limits.is_used("indication_error_percent")
    assert limits.find("indication_error_percent", 1.6) is None


def test_a_band_is_justified_by_itself_or_by_its_figure():
    text = changed(
        ("required_from_po2_bar = 1.6", 'required_from_po2_bar = 1.6\njustification = "all of them"'),
        ("from_po2_bar = 1.8", 'justification = "the upper one"\nfrom_po2_bar = 1.8'),
    )
    limits = parse_limits(text, "shop.toml")
    assert limits.find("indication_error_percent", 1.2).justification == "all of them"
    assert limits.find("indication_error_percent", 2.0).justification == "the upper one"


def test_a_blank_justification_is_none():
    text = changed(("pass_most = 6.0", 'pass_most = 8.0\njustification = "  "'))
    assert "add justification" in problem(text)


def test_tightening_needs_no_justification():
    limits = parse_limits(changed(("pass_most = 6.0", "pass_most = 4.0")), "shop.toml")
    assert limits.find("t90_s").pass_limits == (None, 4.0)
    assert limits.loosened == ()


def test_a_figure_switched_off_has_no_limits():
    text = changed(("pass_most = 6.0", 'pass_most = 6.0\nuse = false\njustification = "no fast gauge here"'))
    limits = parse_limits(text, "shop.toml")
    assert limits.find("t90_s") is None
    assert not limits.is_used("t90_s")


def test_limits_kept_in_a_record_are_not_refused_for_what_the_general_file_says_today():
    loose = changed(("pass_most = 6.0", "pass_most = 8.0"))
    assert parse_limits(loose, "kept.toml", check_loosening=False).find("t90_s").pass_limits == (None, 8.0)


def test_files_that_come_with_the_program_all_load():
    assert {"general", "skerry_point"} <= set(shipped_names("limits"))
    for name in shipped_names("limits"):
        assert load_limits(name).name == name


def test_the_example_file_is_tighter_except_where_it_says_why():
    shop = load_limits("skerry_point")
    assert len(shop.loosened) == 1
    assert shop.loosened[0].startswith("t90_s")


def test_missing_files_are_reported_in_one_line(tmp_path):
    with pytest.raises(FileError, match="no limits file is called 'generl'; did you mean 'general'"):
        load_limits("generl")
    with pytest.raises(FileError, match="no such file"):
        load_limits(tmp_path / "mine.toml")
    path = tmp_path / "latin.toml"
    path.write_bytes(b'name = "caf\xe9"')
    with pytest.raises(FileError, match="UTF-8"):
        load_limits(path)


def test_limits_files_of_version_1_stay_readable():
    # Written once and kept; a later version of the form gets its own file beside it.
    path = Path(__file__).parents[1] / "golden" / "limits_1.toml"
    kept = parse_limits(path.read_text(encoding="utf-8"), path.name, check_loosening=False)
    assert kept.find("t90_s").pass_limits == (None, 6.0)
    assert kept.find("indication_error_percent", 1.6).reject_limits == (-5.0, 5.0)
