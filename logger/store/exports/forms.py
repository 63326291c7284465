"""The forms of export there are; here, apart from what writes them, so that naming them costs no start-up time."""

from dataclasses import dataclass
from typing import Literal

Form = Literal["csv", "sqlite", "parquet", "mdf", "bundle"]
MDF_SUFFIX = ".mf4"


@dataclass(frozen=True, slots=True)
class About:
    """One form. ending: of its usual name, behind the event's id. is_folder: or else a file. comes_back: whether import
    reads it."""

    meaning: str
    ending: str
    is_folder: bool = False
    comes_back: bool = True


FORMS: dict[Form, About] = {
    "csv": About("a capture folder of CSV files", "", is_folder=True),
    "sqlite": About("one SQLite file with a table for each channel", ".sqlite"),
    "parquet": About(
        "a folder of Parquet, partitioned by car, event and channel, that may hold a season", "-parquet", is_folder=True
    ),
    "mdf": About("a folder of ASAM MDF 4 files, one for each recording", "-mdf", is_folder=True, comes_back=False),
    "bundle": About("one .zip to hand to somebody, with recordings, notes, report and check sums", ".zip"),
}
