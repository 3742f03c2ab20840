"""A plain table of one's own foods: what its columns mean, and what is wrong with a bad one. All foods are invented."""

from pathlib import Path

import numpy as np
import pytest

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA
from swaptable.foods.component_identity import identities, identity_of_column
from swaptable.foods.release import FoodRelease, Portion
from swaptable.releases.plain_table import import_plain

HEAD = "code,description,basis,serving_g,density_g_per_ml"


def imported(tmp_path: Path, text: str, encoding: str = "utf-8", **options) -> FoodRelease:
    """Write a table and import it."""
    path = tmp_path / "own.csv"
    path.write_bytes(text.encode(encoding))
    return import_plain(path, tmp_path / "own", **options)


def refused(tmp_path: Path, text: str, encoding: str = "utf-8", **options) -> str:
    """Import what cannot be: give the error, and see that nothing was written."""
    with pytest.raises(InputError) as caught:
        imported(tmp_path, text, encoding, **options)
    assert not (tmp_path / "own").exists()
    assert "\n" not in str(caught.value)
    return str(caught.value).replace(str(tmp_path), "")


def one(tmp_path: Path, headers: str, cells: str, **options) -> dict[str, float]:
    """Import one food per 100 g and give its values."""
    release = imported(tmp_path, f"code,description,basis,{headers}\n1,Food,100 g,{cells}\n", **options)
    return release.values("1").dropna().to_dict()


def test_values_come_to_100_g(tmp_path: Path) -> None:
    """By hand: 60 mg in a serving of 40 g are 150 mg in 100 g; 51.5 mg in 100 ml of 1.03 g/ml are 50 mg in 100 g."""
    text = f"{HEAD},NA (mg)\na,Bread,serving,40,,60\nb,Drink,100 ml,,1.03,51.5\nc,Cheese,100 g,,,700\n"
    release = imported(tmp_path, text)
    assert [release.values(code)["NA"] for code in "abc"] == pytest.approx([150, 50, 700])
    assert release.food("a").portions == (Portion("serving", 40.0),)
    assert release.food("b").portions == (Portion("ml", 1.03),)
    assert release.foods["basis"].tolist() == ["serving of 40 g", "100 ml of 103 g", "100 g"]


def test_missing_trace_and_less_than(tmp_path: Path) -> None:
    """An empty cell is missing, a trace 0, less than 1 stands at 0.5 with its range; each says so."""
    text = f"{HEAD},NA (mg),K (mg),CA (mg),MG (mg),FE (mg)\na,Food,serving,50,,,tr,<1,-,0\n"
    release = imported(tmp_path, text)
    held = release.values("a")
    assert np.isnan(held["NA"])
    assert np.isnan(held["MG"])
    assert (held["K"], held["CA"], held["FE"]) == (0, 1.0, 0)  # half of 1 in 50 g is 1 in 100 g
    values = release.table("values").set_index("as_given")
    assert values["status"].to_dict() == {"tr K (mg)": "trace", "<1 CA (mg)": "below limit", "0 FE (mg)": ""}
    assert values.loc["<1 CA (mg)", ["minimum", "maximum", "limit"]].tolist() == [0, 2, 2]


def test_percent_daily_value(tmp_path: Path) -> None:
    """25 % of 1300 mg calcium is 325 mg (21 CFR 101.9); it only fills in where no amount is given."""
    held = one(tmp_path, "CA (%DV US),FE (mg),FE (%DV US)", "25,2,50")
    assert held == {"CA": 325, "FE": 2}


def test_salt_of_a_label_is_sodium(tmp_path: Path) -> None:
    """1 g of salt equivalent is 400 mg of sodium (Regulation (EU) 1169/2011); both given must agree."""
    assert one(tmp_path, "NACL_EQ (g)", "1") == {"NA": 400}
    text = "code,description,basis,NA (mg),NACL_EQ (g)\n1,Food,100 g,900,1\n"
    (tmp_path / "other").mkdir()
    message = refused(tmp_path / "other", text)
    assert "own.csv:2: NA (mg): sodium and salt disagree: found 900 per 100 g, expected about 400" in message


@pytest.mark.parametrize(
    ("header", "number", "component", "value"),
    [
        ("NA (g)", "0.4", "NA", 400),
        ("CA (µg)", "5000", "CA", 5),
        ("CA (ug)", "5000", "CA", 5),
        ("CHOAVL (g)", "50", "CHOAVL", 50),
        ("VITA (mcg)", "30", "VITA", 30),
        ("VITD_IU (IU)", "40", "VITD_IU", 40),
        ("ENERC_KJ (kJ)", "400", "ENERC_KJ", 400),
        ("FOLDFE (mcg)", "40", "FOLDFE", 40),
    ],
)
def test_units_are_converted_and_components_kept_apart(
    tmp_path: Path, header: str, number: str, component: str, value: float
) -> None:
    """Masses are converted; available carbohydrate, retinol equivalents and the like are components of their own."""
    assert one(tmp_path, header, number) == {component: pytest.approx(value)}


@pytest.mark.parametrize(
    ("tag", "unit", "message"),
    [
        ("CHO", "g", "say which carbohydrate: CHOCDF (g): total carbohydrate by difference"),
        ("VITA_RE", "µg", "say which vitamin A: VITA_RAE (µg)"),
        ("ENERGY", "kcal", "say which energy: ENERC_KCAL (kcal)"),
        ("FOLATE", "µg", "say which folate: FOL (µg)"),
        ("XYZ", "g", "found 'XYZ'; expected an INFOODS tag"),
        ("ENERC_KCAL", "kJ", "found unit 'kJ'; ENERC_KCAL is in kcal; in kJ there is ENERC_KJ (kJ)"),
        ("VITD", "IU", "found unit 'IU'; VITD is in g or mg or µg; in IU there is VITD_IU (IU)"),
        ("NA", "mmol", "found unit 'mmol'; NA is in g or mg or µg"),
    ],
)
def test_unclear_components_are_named_with_what_there_is(tag: str, unit: str, message: str) -> None:
    """A tag or unit that could mean several things is never guessed."""
    with pytest.raises(SwaptableError) as caught:
        identity_of_column(tag, unit)
    assert message in str(caught.value)


def test_every_identity_is_one_thing() -> None:
    """Tags, numbers and, within a family, definitions are single; units are those of components."""
    known = identities().values()
    numbers = [each.number for each in known if each.number]
    assert len(numbers) == len(set(numbers))
    told = [(each.family, each.definition) for each in known if each.family]
    assert len(told) == len(set(told))
    assert all(definition for _, definition in told)
    assert {each.unit for each in known} == {"g", "mg", "µg", "kcal", "kJ", "IU"}


def test_decimal_comma_and_semicolons(tmp_path: Path) -> None:
    """With the flag, 2,5 is two and a half and columns are apart by semicolons."""
    text = "code;description;basis;serving_g;NA (mg)\n1;Food;serving;12,5;2,5\n"
    release = imported(tmp_path, text, decimal_comma=True)
    assert release.values("1")["NA"] == 20


def test_portions_and_refuse(tmp_path: Path) -> None:
    """Portions are the user's, in any mass; refuse is the share as purchased."""
    text = "code,description,basis,portions,refuse_percent,refuse,NA (mg)\n"
    release = imported(tmp_path, text + "1,Food,100 g,2 slices = 60 g | 1 loaf = 0.5 kg,5,Rind,1\n")
    food = release.food("1")
    assert food.portions == (Portion("slices", 30.0), Portion("loaf", 500.0))
    assert (food.refuse_percent, food.refuse_description) == (5, "Rind")


def test_the_template_is_imported(tmp_path: Path) -> None:
    """The file offered for copying is a good one, and its products are invented."""
    release = import_plain(DATA / "foods" / "own_products_template.csv", tmp_path / "own")
    assert len(release.foods) == 3
    assert release.foods["description"].str.contains("invented").all()
    assert set(release.table("values")["derivation_code"]) == {"LC"}
    assert release.table("checks").empty


ONE = "code,description,basis,NA (mg)\n1,Food,100 g,1\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "own.csv: is empty"),
        ("code,description,basis,NA (mg)\n", "own.csv: holds no food"),
        ("code,description,basis\n1,Food,100 g\n", "own.csv:1: has no column of a component, such as NA (mg)"),
        (ONE.replace("basis", "bases"), "own.csv:1: has no column 'basis'"),
        (ONE.replace(",", ";"), "own.csv:1: its columns are separated by ';'"),
        (ONE.replace(",", "\t"), "own.csv:1: its columns are separated by a tab"),
        (ONE.replace("NA (mg)", "sodium"), "own.csv:1: sodium: expected a component as TAG (unit)"),
        (ONE.replace("NA (mg)", "CHO (g)"), "own.csv:1: CHO (g): found 'CHO'; say which carbohydrate"),
        (ONE.replace("NA (mg)", "NA (%DV)"), "found '%DV '; say whose daily value: %DV CA or %DV US"),
        (ONE.replace("NA (mg)", "SODIUM (%DV US)"), "own.csv:1: SODIUM (%DV US): found 'SODIUM'; say which sodium"),
        (ONE.replace("NA (mg)", "STARCH (%DV US)"), "US has no daily value of STARCH"),
        (
            "code,description,basis,NA (mg),NA (g)\n1,Food,100 g,1,1\n",
            "own.csv:1: NA (g): is the same component as 'NA (mg)'",
        ),
        ("code,description,basis,NA (mg),NA (mg)\n1,Food,100 g,1,1\n", "own.csv:1: has the column 'NA (mg)' twice"),
        (ONE.replace(",", ";"), "own.csv:1: its columns are separated by ';'; expected ','"),
        (
            "code,description,basis,density_g_per_ml,NA (mg)\n1,Food,100 ml,1030,1\n",
            "own.csv:2: density_g_per_ml: found 1030; expected what 1 ml weighs in g, less than 3",
        ),
        (ONE.replace("100 g,1", "100 g," + "9" * 400), "own.csv:2: NA (mg): found '999"),
        (ONE + "".join(f"x{n},Food,100 g,1\n" for n in range(400)) + "y,Fo\0od,100 g,1\n", "no text at all"),
        (ONE + "1,Other,100 g,2\n", "own.csv:3: code: '1' is there twice, first in line 2"),
        (ONE.replace("1,Food", "a b,Food"), "own.csv:2: code: found 'a b'; expected a code of letters"),
        (ONE.replace("Food", ""), "own.csv:2: description: found nothing"),
        (
            ONE.replace("100 g", "100g"),
            "own.csv:2: basis: found '100g'; expected 100 g, serving, 100 ml; did you mean '100 g'?",
        ),
        (ONE.replace("100 g", "serving"), "own.csv:2: serving_g: found ''; the basis 'serving' needs what it weighs"),
        (ONE.replace("100 g,1", "100 g,-1"), "own.csv:2: NA (mg): found '-1'; expected a number of 0 or more, <number"),
        (ONE.replace("100 g,1", '100 g,"1,5"'), "own.csv:2: NA (mg): found '1,5'; expected a number of 0 or more"),
        (ONE.replace("100 g,1", "100 g,N"), "own.csv:2: NA (mg): found 'N'"),
        (ONE.replace("100 g,1", "100 g,1,2"), "own.csv:2: found 5 fields, expected 4"),
        (ONE.replace("100 g,1", '100 g,"1'), "own.csv:2: is no table (unexpected end of data)"),
        ("code,description,basis,NA (mg)\n1,Food,100 g,\n", "own.csv: holds no value"),
        (
            "code,description,basis,evidence,NA (mg)\n1,Food,100 g,labl,1\n",
            "own.csv:2: evidence: found 'labl'; expected label, measured, calculated, imputed, not stated",
        ),
        (
            "code,description,basis,portions,NA (mg)\n1,Food,100 g,1 cup,1\n",
            "own.csv:2: portions: found '1 cup'; expected a measure and its mass",
        ),
        (
            "code,description,basis,portions,NA (mg)\n1,Food,100 g,1 cup = 240 ml,1\n",
            "own.csv:2: portions: found '1 cup = 240 ml'; expected a measure and its mass, such as 1 cup = 30 g",
        ),
        (
            "code,description,basis,portions,NA (mg)\n\n ,,,,\n1,Food,100 g,0 cup = 30 g,1\n",  # empty lines count
            "own.csv:4: portions: found '0 cup = 30 g'; expected a measure and its mass",
        ),
        (
            "code,description,basis,refuse_percent,NA (mg)\n1,Food,100 g,100,1\n",
            "own.csv:2: refuse_percent: found 100; expected less than 100 %",
        ),
        (
            "code,description,basis,PROCNT (g),FAT (g),CHOCDF (g)\n1,Food,100 g,40,40,40\n",
            "own.csv:2: sum over 100 g: found 120 per 100 g, expected at most 103 g of proximates",
        ),
        (
            "code,description,basis,PROCNT (g),FAT (g),CHOCDF (g),ENERC_KCAL (kcal)\n1,Food,100 g,10,10,10,711\n",
            "own.csv:2: ENERC_KCAL (kcal): kJ among kcal: found 711 per 100 g, expected about 170",  # 711 = 4.184 × 170
        ),
        (
            "code,description,basis,FAT (g),FASAT (g),FAPU (g)\n1,Food,100 g,10,8,8\n",
            "own.csv:2: FAT (g): fatty acids over fat: found 16 per 100 g, expected about 10",
        ),
        (
            "code,description,basis,FE (mg)\n1,Food,100 g,2000\n",
            "own.csv:2: FE (mg): larger than any food of SR28: found 2000 per 100 g, expected at most about",
        ),
    ],
)  # fmt: skip
def test_bad_tables_are_one_sentence_and_leave_nothing(tmp_path: Path, text: str, message: str) -> None:
    """Each kind of badness is named with file, line, field, what was found and what is allowed."""
    assert message in refused(tmp_path, text)


def test_doubtful_foods_are_kept_when_asked(tmp_path: Path) -> None:
    """With the flag they are taken as they are, and listed."""
    text = "code,description,basis,PROCNT (g),FAT (g),CHOCDF (g)\n1,Food,100 g,40,40,40\n"
    release = imported(tmp_path, text, keep_doubtful=True)
    assert release.values("1")["FAT"] == 40
    assert release.table("checks")["check"].tolist() == ["sum over 100 g"]


def test_wrong_encoding_and_wrong_file(tmp_path: Path) -> None:
    """Bytes that are not UTF-8 are refused with their line; so are UTF-16 and a path that is not there."""
    text = "code,description,basis,NA (mg)\n1,Cr\u00eape,100 g,1\n"
    assert "own.csv:2: found the byte 0xEA, which is not UTF-8; save the file as UTF-8" in refused(
        tmp_path, text, "latin-1"
    )
    assert "is UTF-16 or no text at all" in refused(tmp_path, text, "utf-16")
    with pytest.raises(InputError, match=r"nowhere\.csv: is not there"):
        import_plain(tmp_path / "nowhere.csv", tmp_path / "own")
    (tmp_path / "two").mkdir()
    for name in ("a", "b"):
        (tmp_path / "two" / f"{name}.csv").write_text(ONE, encoding="utf-8")
    with pytest.raises(InputError, match="two: found a, b; name the one file to read"):
        import_plain(tmp_path / "two", tmp_path / "own")
    with pytest.raises(InputError, match="found 'my foods'; expected a name of letters"):
        import_plain(tmp_path / "own.csv", tmp_path / "my foods")


def test_a_point_is_no_thousand(tmp_path: Path) -> None:
    """Where the decimal sign is a comma, 1.234 may be a thousand times what it says, and is refused."""
    text = "code;description;basis;serving_g;NA (mg)\n1;Food;serving;40;1.234\n"
    assert "own.csv:2: NA (mg): found '1.234'; expected a decimal comma" in refused(tmp_path, text, decimal_comma=True)
    text = "code;description;basis;serving_g;NA (mg)\n1;Food;serving;1.040;1\n"
    assert "own.csv:2: serving_g: found '1.040'; expected a" in refused(tmp_path, text, decimal_comma=True)
