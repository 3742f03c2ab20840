"""Formats against their published documentation.

The examples are the fields of the JSON-LD example in the documentation of schema.org's type Recipe, and the nesting
of sections, steps, directions and tips in that of its type HowTo; the forms of Mass and Energy are those that
schema.org prescribes. RFC 4180 says what CSV is.
"""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pytest

from swaptable.formats.exports import ingredients_csv, json_ld
from swaptable.formats.pages import read_page
from swaptable.formats.sheets import read_sheet
from swaptable.judging.study import compute_recipe

pytestmark = pytest.mark.outside

# schema.org, type Recipe, example 1 (JSON-LD)
EXAMPLE = {
    "@context": "https://schema.org",
    "@type": "Recipe",
    "cookTime": "PT1H",
    "datePublished": "2009-05-08",
    "description": "A classic banana bread; the walnuts add texture and flavor.",
    "image": "bananabread.jpg",
    "recipeIngredient": ["3 or 4 ripe bananas, smashed", "1 egg", "3/4 cup of sugar"],
    "interactionStatistic": {
        "@type": "InteractionCounter",
        "interactionType": "https://schema.org/Comment",
        "userInteractionCount": "140",
    },
    "name": "Mom's World Famous Banana Bread",
    "nutrition": {"@type": "NutritionInformation", "calories": "240 calories", "fatContent": "9 grams fat"},
    "prepTime": "PT15M",
    "recipeInstructions": "Preheat the oven to 350 degrees. Mix in the ingredients in a bowl. Add the flour last. "
    "Pour the mixture into a loaf pan and bake for one hour.",
    "recipeYield": "1 loaf",
    "suitableForDiet": "https://schema.org/LowFatDiet",
}


def test_example_of_the_type_recipe(tmp_path: Path) -> None:
    """The published example is read: title, ingredients and method; its yield, a loaf, is asked about."""
    path = tmp_path / "example.html"
    path.write_text(f'<script type="application/ld+json">\n{json.dumps(EXAMPLE)}\n</script>', encoding="utf-8")
    found = read_page(path).kitchen
    assert found.title == "Mom's World Famous Banana Bread"
    assert found.lines == ("3 or 4 ripe bananas, smashed", "1 egg", "3/4 cup of sugar")
    assert len(found.method) == 1
    assert found.method[0].startswith("Preheat the oven to 350 degrees.")
    assert found.servings == 1
    assert "'1 loaf' read as 1 servings" in found.notes[0]


def test_sections_steps_directions_and_tips(tmp_path: Path) -> None:
    """The nesting of the published HowTo example: section, step, direction and tip, each in an itemListElement."""
    section = {
        "@type": "HowToSection",
        "name": "Preparation",
        "position": "1",
        "itemListElement": [
            {
                "@type": "HowToStep",
                "position": "1",
                "itemListElement": [
                    {"@type": "HowToDirection", "position": "1", "text": "Wash the leeks."},
                    {"@type": "HowToTip", "position": "2", "text": "Sand hides between the leaves."},
                ],
            }
        ],
    }
    path = tmp_path / "example.json"
    path.write_text(json.dumps(EXAMPLE | {"recipeInstructions": [section]}), encoding="utf-8")
    assert read_page(path).kitchen.method == ("Preparation:", "Wash the leeks.", "Sand hides between the leaves.")


@pytest.mark.parametrize("recipe", ["barley_pot", "oat_pancakes", "white_bean_bowl", "sardine_traybake"])
def test_nutrition_has_the_prescribed_properties_and_forms(recipe: str) -> None:
    """Every property is one of NutritionInformation; Mass and Energy are '<Number> <unit of measure>'.

    Grams and milligrams are the units that schema.org names for each property.
    """
    nutrition = json.loads(json_ld(compute_recipe(recipe)))["nutrition"]
    units = {
        "calories": "kcal", "carbohydrateContent": "g", "cholesterolContent": "mg", "fatContent": "g",
        "fiberContent": "g", "proteinContent": "g", "saturatedFatContent": "g", "sodiumContent": "mg",
        "sugarContent": "g", "transFatContent": "g", "unsaturatedFatContent": "g",
    }  # fmt: skip
    assert nutrition.pop("@type") == "NutritionInformation"
    assert re.fullmatch(r"1 serving \(\d+(\.\d+)? g as eaten\)", nutrition.pop("servingSize"))
    assert len(nutrition) >= 8
    for name, value in nutrition.items():
        assert re.fullmatch(rf"\d+(\.\d+)? {units[name]}", value), (name, value)


def test_csv_as_rfc_4180_has_it(tmp_path: Path) -> None:
    """Quoted cells with commas, quotation marks written twice and line breaks are read (RFC 4180, section 2)."""
    path = tmp_path / "pot.csv"
    path.write_bytes(
        b'title,"Pot ""of"" roots"\r\nservings,2\r\ningredient,amount,unit,food,code,note\r\n'
        b'root,180,g,"Carrots, raw",sr28:11124,"sweet\r\nones"\r\n'
    )
    found = read_sheet(path)
    assert found.fields["title"] == 'Pot "of" roots'
    assert found.remarks["ingredients", "root"] == "sweet ones"
    text = ingredients_csv(compute_recipe("barley_pot")).decode()
    assert '"Oil, olive, salad or cooking"' in text
    assert next(csv.reader(io.StringIO(text))) == ["title", "Barley and root vegetable pot"]
