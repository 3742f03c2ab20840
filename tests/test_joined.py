"""Several releases as one: codes with their release, components aligned, the rest as it was. Own foods are invented."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.certainty import with_certainty
from swaptable.amounts.cost import cost_table, read_prices
from swaptable.amounts.nutrients import amounts_table, compute, lines_table
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.foods.imputation import FilledRelease, fill_gaps
from swaptable.foods.joined import JoinedRelease, join, open_release
from swaptable.foods.release import FoodRelease, Portion
from swaptable.foods.release_writer import write_release
from swaptable.foods.values import EVIDENCE_LABELS, value_errors
from swaptable.judging.study import compute_recipe
from swaptable.releases.plain_table import import_plain

OWN = """code,description,group,basis,density_g_per_ml,refuse_percent,evidence,NA (mg),K (mg),CHOAVL (g),PROCNT (g)
broth,"Soup, vegetable broth, low sodium",0600,100 ml,1.01,0,label,28,40,1,0.2
11124,"Carrots, raw, from the allotment",1100,100 g,,0,measured,50,300,,
"""
RECIPE = """title: Pot
servings: 4
ingredients:
  tuber: {amount: 400 g, food: "sr28:11352", cook: simmered, liquid: kept}
  liquid: {amount: 1 l, food: "own:broth"}
choices:
  liquid:
    own broth: as written
    stock: {liquid: {food: "sr28:06700", same: volume}}
"""


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> FoodRelease:
    """A release of two invented foods, one with a code that SR28 has as well."""
    folder = tmp_path_factory.mktemp("foods")
    (folder / "own.csv").write_text(OWN, encoding="utf-8")
    return import_plain(folder / "own.csv", folder / "own")


@pytest.fixture(scope="module")
def both(sr28: FoodRelease, own: FoodRelease) -> JoinedRelease:
    """SR28 and the invented foods."""
    return join(sr28, own)


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    """A recipe with foods of both."""
    path = tmp_path / "pot.yaml"
    path.write_text(RECIPE, encoding="utf-8")
    return path


def test_values_are_those_of_each_release(both: JoinedRelease, sr28: FoodRelease, own: FoodRelease) -> None:
    """Every known value of SR28 is there, to the digit, and those of the own foods by their tags."""
    here = pd.DataFrame(both.matrix, index=both.foods.index, columns=both.components.index)
    alone = here.iloc[: len(sr28.foods)][sr28.components.index]
    assert np.array_equal(alone.to_numpy(), sr28.matrix, equal_nan=True)
    assert alone.index.tolist() == [f"sr28:{code}" for code in sr28.foods.index]
    for code in own.foods.index:
        assert here.loc[f"own:{code}"].dropna().to_dict() == own.values(code).dropna().to_dict()
    assert np.isnan(here.at["sr28:11124", "CHOAVL"])


def test_codes_need_their_release_only_where_two_have_them(both: JoinedRelease) -> None:
    """A bare code is understood if one release has it; one of two is asked for; portions and refuse stay."""
    assert both.food("broth") == both.food("own:broth") == both.food("sr28+own:own:broth")
    assert both.food("own:broth").portions == (Portion("ml", 1.01),)
    assert both.food("11352").code == "sr28:11352"
    assert both.food("11352").refuse_percent == 25
    assert both.values("own:11124")["NA"] == 50
    with pytest.raises(SwaptableError, match="found '11124', which is sr28:11124 and own:11124: say which"):
        both.food("11124")
    with pytest.raises(SwaptableError, match="found 'cnf:2'; this run reads the food releases sr28 and own"):
        both.food("cnf:2")
    with pytest.raises(SwaptableError, match="found 'brth'; expected a food code of own; did you mean 'broth'"):
        both.food("own:brth")
    with pytest.raises(SwaptableError, match="found 'nothing', a code of none of the releases sr28, own"):
        both.food("nothing")


def test_errors_and_evidence_of_sr28_do_not_change(both: JoinedRelease, sr28: FoodRelease) -> None:
    """The own foods add no evidence of scatter, so SR28's errors are the same; theirs rest on labels and analyses."""
    alone, together = value_errors(sr28), value_errors(both)
    columns = both.components.index.get_indexer(sr28.components.index)
    size = len(sr28.foods)
    for name in ("standard_error", "spread", "evidence", "error_evidence"):
        here = getattr(together, name)[:size][:, columns]
        assert np.array_equal(here, getattr(alone, name), equal_nan=True)
    sodium = together.evidence[size:, list(both.components.index).index("NA")]
    assert [EVIDENCE_LABELS[code] for code in sodium] == ["label", "measured"]


def test_a_recipe_of_both(recipe: Path, both: JoinedRelease) -> None:
    """By hand: 1 l of broth is 1010 g; with 28 mg per 100 ml it brings 280 mg, 400 g potatoes 6 mg per 100 g."""
    amounts = compute(build_grid(read_recipe(recipe), both))
    table = amounts_table(amounts, ["NA", "MG"], ["batch"]).set_index(["liquid", "component"])
    kept = 1.0  # sodium of simmered potatoes, liquid kept: 100 % (USDA Release 6)
    assert table.at[("own broth", "NA"), "amount"] == pytest.approx(280 + 400 * 0.06 * kept)
    assert table.at[("own broth", "NA"), "status"] == "complete"
    assert table.at[("own broth", "MG"), "status"] == "lower bound"  # the label says nothing of magnesium
    assert table.at[("own broth", "MG"), "known_share"] == pytest.approx(400 / 1410)
    lines = lines_table(amounts).set_index("ingredient")["food"]
    assert lines.tolist() == ["sr28:11352", "own:broth", "sr28:06700"]
    assert (with_certainty(table.reset_index(), amounts)["standard_error"] > 0).any()


def test_published_yields_know_sr28_foods_only(both: JoinedRelease, sr28: FoodRelease, tmp_path: Path) -> None:
    """A pair of SR28's codes gives the yield in a joined release as in SR28 alone; the same code elsewhere does not."""
    text = 'title: P\nservings: 1\ningredients:\n  a: {{amount: 100 g, food: "{}", cook: boiled, liquid: discarded}}\n'

    def origin(code: str, release: FoodRelease) -> tuple[float, str]:
        path = tmp_path / "p.yaml"
        path.write_text(text.format(code), encoding="utf-8")
        line = build_grid(read_recipe(path), release).line("a", {})
        return line.cooking.yield_factor, line.cooking.yield_origin

    assert origin("sr28:11124", both) == origin("sr28:11124", sr28)
    assert "this food" in origin("sr28:11124", both)[1]
    assert "this food" not in origin("own:11124", both)[1]


def test_prices_go_by_the_full_code(recipe: Path, both: JoinedRelease, tmp_path: Path) -> None:
    """By hand: 400 g at 2 CAD/kg as purchased (25 % refuse) and 1010 g at 1 CAD/kg."""
    path = tmp_path / "prices.csv"
    path.write_text(
        "food,price,currency,per,date,note\nsr28:11352,2,CAD,1 kg,,\nown:broth,1,CAD,1 kg,,\nown:a-1.b,1,CAD,1 kg,,\n",
        encoding="utf-8",
    )
    costs = cost_table(build_grid(read_recipe(recipe), both), read_prices(path))
    assert costs.at["as written", "cost_per_serving"] == pytest.approx((400 / 0.75 * 0.002 + 1010 * 0.001) / 4)
    assert costs.at["stock", "not_priced"] == "liquid"


def test_gaps_are_filled_and_the_published_release_is_kept(both: JoinedRelease) -> None:
    """A filled joined release keeps codes, hash and what was published."""
    filled = fill_gaps(both)
    assert isinstance(filled, FilledRelease)
    assert filled.published is both
    assert (filled.sha256, filled.name) == (both.sha256, "sr28+own")
    assert filled.food("own:broth") == both.food("own:broth")
    known = ~np.isnan(both.matrix)
    assert np.array_equal(filled.matrix[known], both.matrix[known])
    assert np.isnan(filled.matrix).sum() < (~known).sum()


def test_opened_by_name_and_path(recipe: Path, own: FoodRelease, sr28: FoodRelease) -> None:
    """A name and a path with + between them open as one, wherever a release is named; the name of one stays one."""
    name = f"sr28+{own.folder}"
    opened = open_release(name)
    assert opened is open_release(name)
    assert (opened.name, opened.manifest["released"].partition(";")[0]) == ("sr28+own", "September 2015")
    assert opened.sha256 == open_release(f"{own.folder}+sr28").sha256 != sr28.sha256
    assert open_release("sr28").name == "sr28"
    amounts = compute_recipe(recipe, name)
    assert "SR28+OWN" in amounts.source_line
    with pytest.raises(InputError, match="found 'nowhere'; expected one of"):
        open_release("sr28+nowhere")
    with pytest.raises(SwaptableError, match="found two releases named 'sr28'"):
        open_release("sr28+sr28")


def other(folder: Path, **changes: object) -> FoodRelease:
    """Write a release of one food and one component of its own, changed."""
    component = {"component": "SUGAR", "nutrient_number": 7, "unit": "mg", "name": "Sugars"} | changes
    tables = {
        "foods": pd.DataFrame(
            {"code": ["1"], "food_group": "", "description": "X", "refuse_percent": np.nan, "refuse_description": ""}
        ),
        "values": pd.DataFrame({"code": ["1"], "nutrient_number": [7], "value": [500.0]}).astype({"code": "category"}),
        "portions": pd.DataFrame({"code": ["1"], "measure": ["x"], "amount": [1.0], "grams": [1.0]}),
        "components": pd.DataFrame([component]),
    }
    return write_release(folder, {"name": folder.name, "released": "today"}, tables)


def test_units_are_converted(sr28: FoodRelease, tmp_path: Path) -> None:
    """A component in mg joins one in g: 500 mg are 0.5 g."""
    joined = join(sr28, other(tmp_path / "other"))
    assert joined.values("other:1").dropna().to_dict() == {"SUGAR": 0.5}
    assert joined.components.at["SUGAR", "unit"] == "g"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"definition": "sugars as monosaccharides"},
            "SUGAR means 'sugars as monosaccharides' in 'other' but 'total sugars",
        ),
        ({"unit": "kcal"}, "SUGAR is in kcal in 'other' but in g in the releases before it"),
    ],
)  # fmt: skip
def test_one_tag_with_two_meanings_is_refused(sr28: FoodRelease, tmp_path: Path, changes, message: str) -> None:
    """No silent mixing: another definition or kind of unit under the same tag stops the run."""
    joined = join(sr28, other(tmp_path / "other", **changes))
    with pytest.raises(SwaptableError, match=message):
        joined.values("other:1")


def test_components_of_one_number_keep_apart(sr28: FoodRelease, tmp_path: Path) -> None:
    """A release's own component whose number another has gets a number of its own."""
    joined = join(sr28, other(tmp_path / "other", component="OWN1", nutrient_number=307, unit="g"))
    assert joined.components["nutrient_number"].is_unique


def test_a_part_may_have_no_portions(sr28: FoodRelease, tmp_path: Path) -> None:
    """Foods per 100 g without a serving, a density or a portion: their table of portions is empty."""
    (tmp_path / "own.csv").write_text("code,description,basis,NA (mg)\na,Bread,100 g,500\n", encoding="utf-8")
    both = join(sr28, import_plain(tmp_path / "own.csv", tmp_path / "own"))
    assert (both.food("own:a").portions, both.values("own:a")["NA"]) == ((), 500)
    assert both.food("sr28:11352").portions
