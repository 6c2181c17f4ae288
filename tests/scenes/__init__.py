"""Made homes, instrument cases and shops to try advice on: a third simulator, of its own equations.

It shares no code with the product (`monitor`), the demo (`sensors`) or the outlook's shops
(`tests/rooms`): what the product advises is carried out here, and so a mistake that the product
makes in its own model does not hide itself. numpy only.

    homes()                    the table of made homes
    year_of(home)              its air, and the air outdoors, by the hour
    typed(home, months)        what its owner reads off a hygrometer; normals(home) its weather
    each_year(homes)           the same for each of many; table_years() for the table
    case_year(home, measures)  a case in it, in a number of draws, with a user who follows advice
    case_years(rows)           the same for many, side by side
    shops(), shop_year(shop)   shops with opened instruments

Every size in it is invented in the usual range, from memory, unless a line says more. It is not
validated against any measured home: `test_scenes_made.py` says what is checked of it.
"""

from scenes.cases import (
    DRAWS,
    LAZY,
    OBEDIENT,
    CaseRow,
    CaseYears,
    InCase,
    Measures,
    Packs,
    User,
    case_year,
    case_years,
)
from scenes.climates import CLIMATES, Weather, weather_of
from scenes.homes import (
    Home,
    HomeYear,
    RoomDevice,
    homes,
    normals,
    table_years,
    typed,
    year_of,
    years_of,
)
from scenes.shops import Shop, ShopYear, shop_year, shops

__all__ = [
    "CLIMATES",
    "DRAWS",
    "LAZY",
    "OBEDIENT",
    "CaseRow",
    "CaseYears",
    "Home",
    "HomeYear",
    "InCase",
    "Measures",
    "Packs",
    "RoomDevice",
    "Shop",
    "ShopYear",
    "User",
    "Weather",
    "case_year",
    "case_years",
    "homes",
    "normals",
    "shop_year",
    "shops",
    "table_years",
    "typed",
    "weather_of",
    "year_of",
    "years_of",
]
