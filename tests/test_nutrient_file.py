"""The Canadian Nutrient File: tiny files made by hand in the layouts of 2015 and 2026, and what is wrong with bad ones.

Every food and value here is invented. Columns of 2015 as in Health Canada's Database Structure (2015); those of 2026 as
published readers of that edition print them.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from swaptable.basics.errors import InputError
from swaptable.foods.values import evidence_of
from swaptable.releases.nutrient_file import import_cnf

OLD = {
    "FOOD NAME": [
        "FoodID,FoodCode,FoodGroupID,FoodSourceID,FoodDescription,FoodDescriptionF,FoodDateOfEntry,"
        "FoodDateOfPublication,CountryCode,ScientificName",
        '2,71,11,0,"Leeks, raw","Poireaux, crus",1981-07-01,,11246,Allium',
        '4,99,22,0,"Cr\u00eape, plain","Cr\u00eape nature",1981-07-01,,,',
    ],
    "FOOD GROUP": [
        "FoodGroupID,FoodGroupCode,FoodGroupName,FoodGroupNameF",
        "11,11,Vegetables and Vegetable Products,L\u00e9gumes",
        "22,22,Mixed Dishes,Mets compos\u00e9s",
    ],
    "NUTRIENT NAME": [
        "NutrientID,NutrientCode,NutrientSymbol,NutrientUnit,NutrientName,NutrientNameF,Tagname,NutrientDecimals",
        "203,203,PROT,g,PROTEIN,PROT\u00c9INES,PROCNT,2",
        '205,205,CARB,g,"CARBOHYDRATE, TOTAL (BY DIFFERENCE)",GLUCIDES,CHOCDF,2',
        "208,208,KCAL,kCal,ENERGY (KILOCALORIES),\u00c9NERGIE,ENERC_KCAL,0",
        "268,268,KJ,kJ,ENERGY (KILOJOULES),\u00c9NERGIE,ENERC_KJ,0",
        "307,307,NA,mg,SODIUM,SODIUM,NA,0",
        "324,324,D-IU,IU,VITAMIN D (INTERNATIONAL UNITS),VITAMINE D,VITD,0",
        "328,328,D,\u00b5g,VITAMIN D (D2 + D3),VITAMINE D,VITD,1",
        "814,814,RAE,\u00b5g,RETINOL ACTIVITY EQUIVALENTS,EAR,,0",
        "815,815,DFE,\u00b5g,DIETARY FOLATE EQUIVALENTS,EFA,,0",
        "550,550,ASPA,mg,ASPARTAME,ASPARTAME,,0",
    ],
    "NUTRIENT AMOUNT": [
        "FoodID,NutrientID,NutrientValue,StandardError,NumberofObservations,NutrientSourceID,NutrientDateOfEntry",
        "2,307,20,1.5,4,1,2010-04-16",
        "2,208,30,0,0,2,2010-04-16",
        "2,814,83,0,0,3,2010-04-16",
        "2,324,4,0,0,1,2010-04-16",
        "2,328,0.1,0,0,1,2010-04-16",
        "2,205,-0.2,0,0,1,2010-04-16",
        "4,550,1,0,0,2,2010-04-16",
        "4,307,400,0,0,2,2010-04-16",
    ],
    "NUTRIENT SOURCE": [
        "NutrientSourceID,NutrientSourceCode,NutrientSourceDescription,NutrientSourc DescriptionF",
        "1,1,Analytical value,Valeur d'analyse",
        "2,2,Calculated value,Valeur calcul\u00e9e",
        "3,3,Imputed from a similar food,Valeur imput\u00e9e",
    ],
    "MEASURE NAME": ["MeasureID,MeasureDescription,MeasureDescriptionF", "341,125ml,125ml", "400,1 leek,1 poireau"],
    "CONVERSION FACTOR": [
        "FoodID,MeasureID,ConversionFactorValue,ConvFactorDateOfEntry",
        "2,341,0.47,1981-07-01", "2,400,0.89,1981-07-01",
    ],
    "REFUSE NAME": ["RefuseID,RefuseDescription,RefuseDescriptionF", "1,Tops and roots,Feuilles et racines"],
    "REFUSE AMOUNT": ["FoodID,RefuseID,RefuseAmount,RefuseDateOfEntry", "2,1,56,1981-07-01"],
    "YIELD NAME": ["YieldID,YieldDescription,YieldDescriptionF", "7,amount to make 100 ml,quantit\u00e9"],
    "YIELD AMOUNT": ["FoodID,YieldID,YieldAmount,YieldDateofEntry", "4,7,60,1981-07-01"],
}  # fmt: skip
NEW = {
    "Food_Name": [
        "Food_Code,Food_Description_EN,Food_Description_FR,CNF_Food_Group_Code,Food_Source_Code,Scientific_Name",
        '71,"Leeks, raw","Poireaux, crus",11,0,Allium',
        '99,"Cr\u00eape, plain","Cr\u00eape nature",22,0,',
    ],
    "CNF_Food_Group": [
        "CNF_Food_Group_Code,CNF_Food_Group_Description_EN,CNF_Food_Group_Description_FR",
        "11,Vegetables and Vegetable Products,L\u00e9gumes", "22,Mixed Dishes,Mets",
    ],
    "Nutrient_Name": [
        "Nutrient_Code,Nutrient_Symbol,Nutrient_Unit,Nutrient_Name_EN,Nutrient_Name_FR,Tagname,Nutrient_Decimals",
        "208,KCAL,kilocalorie,Energy (kilocalories),\u00c9nergie,ENERC_KCAL,0",
        "307,NA,Milligram,Sodium,Sodium,NA,0",
        "324,D-IU,International Unit,Vitamin D (International Units),Vitamine D,VITD,0",
        "814,RAE,Microgram,Retinol activity equivalents,EAR,,0",
    ],
    "Nutrient_Amount": [
        "Food_Code,Nutrient_Code,Nutrient_Amount,STD_Error,Observations,Nutrient_Source_Code,Nutrient_Last_Updated_Date",
        "71,307,20,1.5,4,1,", "71,208,30,0,0,2,", "71,814,83,,,3,", "71,324,4,,,1,", "99,307,400,,,2,",
    ],
    "Nutrient_Source": [
        "Nutrient_Source_Code,Nutrient_Source_Description_EN,Nutrient_Source_Description_FR", "1,Analytical value,",
        "2,Calculated value,", "3,Imputed from a similar food,",
    ],
    "Measure_Name": ["Measure_Code,Measure_Description_and_Unit_EN,Measure_Description_and_Unit_FR",
                     "341,125 mL,125 mL", "400,1 leek,1 poireau", "12,Tops and roots,Feuilles",
                     "7,amount to make 100 ml,"],
    "Measure_Type": ["Measure_Type_Code,Measure_Type_Description_EN,Measure_Type_Description_FR", "3,Refuse,Rebut",
                     "6,User-defined,D\u00e9fini", "9,Yield,Rendement"],
    "Measure_Weight_Conversion": [
        "Food_Code,Measure_Type_Code,Measure_Code,Measure_Weight_Conversion,Measure_Weight_Conversion_Last_Updated_Date",
        "71,6,341,47,", "71,6,400,89,", "71,3,12,56,", "99,9,7,60,",
    ],
}  # fmt: skip


def write_raw(folder: Path, files: dict[str, list[str] | None], encoding: str = "cp1252") -> Path:
    """Write the files in an encoding."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, lines in files.items():
        if lines is not None:
            (folder / f"{name}.csv").write_bytes("".join(line + "\r\n" for line in lines).encode(encoding))
    return folder


@pytest.mark.outside
@pytest.mark.parametrize(
    ("files", "encoding"),
    [(OLD, "cp1252"), (OLD, "utf-8"), (NEW, "utf-8"), (NEW, "utf-8-sig")],
    ids=["2015", "2015 as UTF-8", "2026", "2026 with a mark"],
)
def test_both_editions_give_the_same_food(tmp_path: Path, files: dict[str, list[str]], encoding: str) -> None:
    """Codes, words, refuse, portions and values are read alike (Health Canada, Database Structure 2015; 2026)."""
    release = import_cnf(write_raw(tmp_path / "raw", files, encoding), tmp_path / "cnf")
    leeks, crepe = release.food("cnf:71"), release.food("99")
    assert (leeks.description, leeks.food_group, leeks.refuse_percent) == ("Leeks, raw", "1100", 56)
    assert leeks.refuse_description == "Tops and roots"
    assert (crepe.description, crepe.food_group) == ("Cr\u00eape, plain", "2200")
    assert np.isnan(crepe.refuse_percent)
    measures = {portion.measure.lower(): portion.grams for portion in leeks.portions}
    assert measures == {"ml": pytest.approx(47 / 125), "leek": pytest.approx(89)}
    held = release.values("71")
    assert (held["NA"], held["ENERC_KCAL"], held["VITA_RAE"], held["VITD_IU"]) == (20, 30, 83, 4)
    assert release.foods.at["71", "description_fr"] == "Poireaux, crus"
    assert release.table("yields").to_numpy().tolist() == [["99", "amount to make 100 ml", 60.0]]


def test_yields_may_be_missing_since_nothing_is_calculated_from_them(tmp_path: Path) -> None:
    """Everything else of the edition of 2015 must be there."""
    files: dict[str, list[str] | None] = dict(OLD)
    files["YIELD AMOUNT"] = None
    release = import_cnf(write_raw(tmp_path / "raw", files), tmp_path / "cnf")
    assert release.food("71").refuse_percent == 56
    assert "yields" not in release.manifest["tables"] or release.table("yields").empty
    (tmp_path / "raw" / "REFUSE AMOUNT.csv").unlink()
    with pytest.raises(InputError, match=r"found no refuse[ _]amount"):
        import_cnf(tmp_path / "raw", tmp_path / "other")


def test_identity_is_by_number_name_and_unit(tmp_path: Path) -> None:
    """Both vitamins D keep apart though they share a tag; what SR28 does not have becomes its own component."""
    release = import_cnf(write_raw(tmp_path / "raw", OLD), tmp_path / "cnf")
    held = release.values("71")
    assert (held["VITD"], held["VITD_IU"]) == (0.1, 4)
    assert release.values("99").dropna().to_dict() == {"NA": 400, "CNF550": 1}
    assert release.components.at["CNF550", "name"] == "ASPARTAME"
    assert {"FOLDFE", "VITA_RAE"} <= set(release.components.index)


def test_unknown_error_is_not_zero_and_sources_are_evidence(tmp_path: Path) -> None:
    """A standard error or count of 0 means unknown; the words of the source tell what a value rests on."""
    release = import_cnf(write_raw(tmp_path / "raw", OLD), tmp_path / "cnf")
    values = release.table("values").astype({"code": str, "source_code": str, "derivation_code": str})
    values = values.set_index(["code", "nutrient_number"])
    sodium, energy = values.loc[("71", 307)], values.loc[("71", 208)]
    assert (sodium["n"], sodium["standard_error"]) == (4, 1.5)
    assert np.isnan(energy["standard_error"])
    assert energy["n"] is pd.NA
    codes = [tuple(values.loc[("71", n), ["source_code", "derivation_code"]]) for n in (307, 208, 320)]
    assert [evidence_of(*pair) for pair in codes] == ["measured", "calculated", "imputed"]


def test_negative_carbohydrate_by_difference_is_told(tmp_path: Path) -> None:
    """It counts as 0, and the check says what is printed."""
    release = import_cnf(write_raw(tmp_path / "raw", OLD), tmp_path / "cnf")
    assert release.values("71")["CHOCDF"] == 0
    assert release.table("checks")[["check", "found"]].to_numpy().tolist() == [
        ["negative by difference, taken as 0", "-0.2"]
    ]


def changed(name: str, line: int, text: str) -> dict[str, list[str] | None]:
    """Change one line of a file, counted from 1."""
    lines = list(OLD[name])
    lines[line - 1] = text
    return {name: lines}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"NUTRIENT AMOUNT": None}, "found no nutrient_amount.csv"),
        ({"REFUSE AMOUNT": None}, "found no refuse_amount.csv"),
        ({"FOOD NAME": [OLD["FOOD NAME"][0]]}, "holds no food"),
        ({"FOOD NAME": [line.replace(",", ";") for line in OLD["FOOD NAME"]]}, "separated by ';'"),
        (
            changed("FOOD NAME", 3, OLD["FOOD NAME"][2].replace("99", "71", 1)),
            "FOOD NAME.csv:3: FoodCode: found '71' twice",
        ),
        (changed("NUTRIENT AMOUNT", 2, "2,307,-20,1.5,4,1,"), "NUTRIENT AMOUNT.csv:2: NutrientValue: found -20"),
        (changed("NUTRIENT AMOUNT", 7, "2,205,-20,1.5,4,1,"), "NUTRIENT AMOUNT.csv:7: NutrientValue: found -20"),
        (
            changed("NUTRIENT AMOUNT", 2, '2,307,"2,5",0,0,1,'),
            "found '2,5'; expected a number; is its decimal sign a comma",
        ),
        (
            changed("NUTRIENT AMOUNT", 2, "5,307,20,0,0,1,"),
            "NUTRIENT AMOUNT.csv:2: FoodID: found '5', which is not in FOOD NAME",
        ),
        (changed("NUTRIENT AMOUNT", 2, "2,999,20,0,0,1,"), "NutrientID: found '999', which is not in NUTRIENT NAME"),
        (changed("NUTRIENT AMOUNT", 2, "2,208,20,0,0,1,"), "found '2, nutrient 208' twice, first in line 2"),
        (changed("NUTRIENT AMOUNT", 2, "2,307,20"), "NUTRIENT AMOUNT.csv:2: found 3 fields, expected 7"),
        (changed("NUTRIENT AMOUNT", 1, "FoodID,NutrientID,Value,a,b,c,d"), "has no column 'NutrientValue'"),
        (changed("REFUSE AMOUNT", 2, "2,1,156,"), "found 156 % refuse; expected less than 100"),
    ],
)  # fmt: skip
def test_bad_files_are_one_sentence_and_leave_nothing(tmp_path: Path, changes, message: str) -> None:
    """Each kind of badness is named with its place, and no release is left half-written."""
    with pytest.raises(InputError) as caught:
        import_cnf(write_raw(tmp_path / "raw", OLD | changes), tmp_path / "cnf")
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)
    assert [path.name for path in tmp_path.iterdir()] == ["raw"]
