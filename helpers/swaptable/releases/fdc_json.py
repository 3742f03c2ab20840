"""The JSON files of FoodData Central, gathered food by food."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from swaptable.basics.errors import InputError, listed
from swaptable.basics.file_text import visible
from swaptable.foods.component_identity import Printed
from swaptable.releases.fdc_layout import (
    GRAMS,
    IDENTIFIER,
    MOST_ID,
    NOT_PER_100_G,
    OF_A_RECIPE,
    PER_100_ML,
    TYPES,
    UNDETERMINED,
    YES,
    chosen_types,
    code_tables,
    finished,
    none_chosen,
    nutrient_number,
    portion_measure,
    portion_table,
)
from swaptable.releases.raw_files import RawFile, RawFiles
from swaptable.releases.raw_tables import SR_GROUPS
from swaptable.releases.value_writer import OPTIONAL, Rows, ValueWriter

__all__ = ["import_json"]

_LISTS = ("FoundationFoods", "SRLegacyFoods", "SurveyFoods", "BrandedFoods", "foods")
_MOST_JSON = 2**30  # bytes, since JSON is read whole
_MOST = 1e12  # of any number in a JSON file


def _json_items(raw: RawFile) -> Iterator[dict[str, Any]]:
    """Give the foods of a JSON file one by one: a list of them, or an object that holds one, or a single food."""
    with raw.reading() as stream:
        content = stream.read(_MOST_JSON + 1)
    if len(content) > _MOST_JSON:
        problem = f"is larger than {_MOST_JSON / 2**30:g} GiB; take the CSV download of the same release, which streams"
        raise InputError(problem, file=raw.place)
    raw.sha256 = hashlib.sha256(content).hexdigest()
    try:
        whole = json.loads(content.decode("utf-8-sig"), object_hook=_seen)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError("is not UTF-8; expected JSON in UTF-8", file=raw.place, line=line) from error
    except ValueError as error:
        raise InputError(f"is not valid JSON ({error}); it may be cut off", file=raw.place) from error
    except RecursionError:
        raise InputError("is nested too deeply; expected a list of foods", file=raw.place) from None
    if isinstance(whole, dict):
        name = next((each for each in _LISTS if isinstance(whole.get(each), list)), None)
        whole = whole[name] if name else [whole]
    for number, item in enumerate(whole if isinstance(whole, list) else [whole]):
        if not isinstance(item, dict) or "fdcId" not in item:
            problem = f"item {number + 1} is no food (it has no fdcId); expected a list of foods, or {listed(_LISTS)}"
            raise InputError(problem, file=raw.place)
        raw.rows += 1
        yield item


def _seen(item: dict[str, Any]) -> dict[str, Any]:
    """Leave signs that cannot be seen out of the texts of an object."""
    return {key: visible(value) if isinstance(value, str) else value for key, value in item.items()}


def _inner(item: Mapping[str, Any], *names: str) -> Any:
    """Give what an item holds under nested names; empty text where it does not."""
    found: Any = item
    for name in names:
        found = found.get(name) if isinstance(found, dict) else None
    return "" if found is None else found


def _object(item: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Give the object that an item holds under a name, an empty one where it holds none."""
    found = item.get(name)
    return found if isinstance(found, dict) else {}


def _number(raw: RawFile, fdc_id: str, name: str, found: Any) -> float:
    if found in ("", None):
        return np.nan
    if isinstance(found, (int, float)) and not isinstance(found, bool) and abs(found) < _MOST:
        return float(found)
    raise InputError(f"food {fdc_id}: found '{found}'; expected a number", file=raw.place, field=name)


def _json_food(raw: RawFile, item: Mapping[str, Any], fdc_id: str) -> dict[str, Any]:
    category = _inner(item, "foodCategory")
    words = category if isinstance(category, str) else _inner(item, "foodCategory", "description")
    wweia = _inner(item, "wweiaFoodCategory", "wweiaFoodCategoryCode")
    words = (
        words
        or _inner(item, "brandedFoodCategory")
        or _inner(item, "wweiaFoodCategory", "wweiaFoodCategoryDescription")
    )
    refuse = [each for each in item.get("foodComponents") or [] if str(each.get("isRefuse", "")).lower() in YES]
    found = [_number(raw, fdc_id, "percentWeight", each.get("percentWeight")) for each in refuse]
    shares = [share for share in found if not np.isnan(share)]
    factors = item.get("nutrientConversionFactors") or []
    of = {str(each.get("type", "")).strip("."): each for each in factors if isinstance(each, dict)}
    energy = of.get("CalorieConversionFactor", {})
    published = str(_inner(item, "publicationDate") or _inner(item, "publishedDate"))
    date = pd.to_datetime(published, errors="coerce")

    def factor(name: str, of: Mapping[str, Any]) -> float:
        return _number(raw, fdc_id, name, of.get(name))

    return {
        "code": fdc_id,
        "food_group": str(wweia or _inner(item, "foodCategory", "code") or SR_GROUPS.get(str(words), "")),
        "description": str(_inner(item, "description")),
        "refuse_description": "; ".join(str(each.get("name", "")) for each in refuse if shares),
        "refuse_percent": sum(shares) if shares else np.nan,
        "food_group_name": str(words),
        "data_type": str(_inner(item, "dataType")),
        "publication_date": published if pd.isna(date) else date.date().isoformat(),
        "other_code": str(_inner(item, "ndbNumber") or _inner(item, "foodCode")),
        "manufacturer": str(_inner(item, "brandOwner")),
        "nitrogen_factor": factor("value", of.get("ProteinConversionFactor", {})),
        "protein_kcal_per_g": factor("proteinValue", energy),
        "fat_kcal_per_g": factor("fatValue", energy),
        "carbohydrate_kcal_per_g": factor("carbohydrateValue", energy),
    }


def _json_portions(raw: RawFile, item: Mapping[str, Any], fdc_id: str) -> list[tuple[Any, ...]]:
    rows = []
    for each in item.get("foodPortions") or []:
        unit = str(_inner(each, "measureUnit", "name"))
        undetermined = str(_inner(each, "measureUnit", "id")) == UNDETERMINED or unit == "undetermined"
        words = [str(_inner(each, name)) for name in ("amount", "portionDescription", "modifier")]
        measure = portion_measure(words[0], "" if undetermined else unit, words[1], words[2])
        grams = _number(raw, fdc_id, "gramWeight", each.get("gramWeight"))
        points = str(each.get("dataPoints"))
        if measure is not None and grams > 0:
            rows.append((fdc_id, 0, *measure, grams, int(points) if IDENTIFIER.fullmatch(points) else None))
    unit = str(_inner(item, "servingSizeUnit")).lower()
    size = _number(raw, fdc_id, "servingSize", item.get("servingSize"))
    if unit in GRAMS and size > 0:
        measure = portion_measure("", "", str(_inner(item, "householdServingFullText")), "") or (1.0, "serving")
        rows.append((fdc_id, 0, *measure, float(size), None))
    return rows


@dataclass
class _Gathered:
    """What the JSON files hold, gathered food by food."""

    foods: dict[str, dict[str, Any]] = field(default_factory=dict)
    portions: list[tuple[Any, ...]] = field(default_factory=list)
    printed: dict[int, Printed] = field(default_factory=dict)
    pairs: dict[tuple[str, str], int] = field(default_factory=lambda: {("", ""): 0})
    sources: dict[str, str] = field(default_factory=dict)
    derivations: dict[str, str] = field(default_factory=dict)
    values: list[tuple[float, ...]] = field(default_factory=list)  # place, nutrient, amount, pair, then the optional

    def add_food(self, raw: RawFile, fdc_id: str, item: Mapping[str, Any]) -> None:
        """Take a food with its portions and values; anything may stand where a number or a list belongs."""
        try:
            self.foods[fdc_id] = _json_food(raw, item, fdc_id)
            self.portions += _json_portions(raw, item, fdc_id)
            for each in item.get("foodNutrients") or []:
                self.add_value(raw, fdc_id, len(self.foods) - 1, each)
        except InputError:
            raise
        except (
            TypeError,
            ValueError,
            AttributeError,
            OverflowError,
            NotImplementedError,
        ) as error:  # a list where a number belongs ...
            problem = f"food {fdc_id}: is not laid out as foods of such a file are ({error})"
            raise InputError(problem, file=raw.place, field="fdcId") from None

    def add_value(self, raw: RawFile, fdc_id: str, place: int, each: Mapping[str, Any]) -> None:
        """Take one entry of ``foodNutrients``; a heading has no amount and is nothing."""
        amount = _number(raw, fdc_id, "amount", each.get("amount", each.get("value")))
        limit = _number(raw, fdc_id, "loq", each.get("loq"))
        if np.isnan(amount) and np.isnan(limit):
            return
        inner = _object(each, "nutrient")
        key = inner.get("id", each.get("nutrientId"))
        number = nutrient_number(str(inner.get("number", each.get("nutrientNumber", each.get("number", "")))))
        if key is None:  # the abridged form names nutrients by number alone
            key = number
        if not IDENTIFIER.fullmatch(str(key)):
            raise InputError(f"food {fdc_id}: a nutrient has neither id nor number", file=raw.place, field="nutrient")
        if int(key) not in self.printed:
            name = str(inner.get("name") or each.get("nutrientName") or each.get("name") or "")
            unit = str(inner.get("unitName") or each.get("unitName") or "")
            self.printed[int(key)] = Printed(str(key), number, name, unit)
        how = _object(each, "foodNutrientDerivation")
        source = str(_inner(how, "foodNutrientSource", "code") or _inner(each, "foodNutrientSourceCode"))
        derivation = str(how.get("code") or each.get("derivationCode") or "")
        self.sources.setdefault(source, str(_inner(how, "foodNutrientSource", "description")))
        self.derivations.setdefault(derivation, str(how.get("description") or each.get("derivationDescription") or ""))
        pair = self.pairs.setdefault((source, derivation), len(self.pairs))
        names = ("dataPoints", "standardError", "min", "max", "median")
        others = [_number(raw, fdc_id, name, each.get(name)) for name in names]
        if not (np.isnan(others[0]) or (others[0].is_integer() and others[0] <= MOST_ID)):
            raise InputError(f"food {fdc_id}: found {others[0]:g}; expected a count", file=raw.place, field=names[0])
        self.values.append((place, int(key), amount, pair, *others, limit))


def import_json(
    files: RawFiles, types: Sequence[str], stand_ins: Mapping[str, str], values_path: Path
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Give the tables that the JSON files make, the values written beside them, and what the manifest says."""
    wanted = [*chosen_types(types)[1], ""]  # the form of one food may not say its type
    gathered, counts, left_out = _Gathered(), dict[str, int](), dict[str, int]()
    for name in files.names():
        raw = files.need(name)
        for item in _json_items(raw):
            fdc_id, kind = str(item["fdcId"]), str(_inner(item, "dataType"))
            if not IDENTIFIER.fullmatch(fdc_id):
                raise InputError(f"found '{fdc_id}'; expected a whole number", file=raw.place, field="fdcId")
            counts[kind] = counts.get(kind, 0) + 1
            if kind not in wanted:
                continue
            if fdc_id in gathered.foods:
                raise InputError(f"found food {fdc_id} twice; a code names one food", file=raw.place, field="fdcId")
            if str(_inner(item, "servingSizeUnit")).lower() in NOT_PER_100_G:
                left_out[PER_100_ML] = left_out.get(PER_100_ML, 0) + 1
                continue
            gathered.add_food(raw, fdc_id, item)
    if not gathered.foods:
        raise none_chosen(counts, types, files.source)
    foods = pd.DataFrame(list(gathered.foods.values()))
    pairs = [*gathered.pairs, ("1", "NC"), OF_A_RECIPE]
    recipes = (foods["data_type"] == TYPES["survey"][1]).to_numpy()
    codes = pa.array(foods["code"])
    with ValueWriter(values_path, codes, recipes, gathered.printed, pairs, raw, stand_ins) as values:
        if gathered.values:
            table = np.array(gathered.values)
            whole = [table[:, place].astype(int) for place in (0, 1, 3)]
            optional = {name: table[:, 4 + place] for place, name in enumerate(OPTIONAL)}
            values.add(Rows(whole[0], whole[1], table[:, 2], whole[2], np.zeros(len(table), int), optional))
    sources, derivations = code_tables(gathered.sources, gathered.derivations)
    tables = {
        "foods": foods,
        "portions": portion_table(gathered.portions),
        "source_codes": sources,
        "derivation_codes": derivations,
    }
    return tables, finished(values, tables, left_out)
