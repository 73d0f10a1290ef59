"""The elements of an application record, and which rule asks for each.

US-P  7 CFR 110.3(a), private applicators, restricted use products (text of 2006)
US-C  40 CFR 171.303(b)(7), commercial applicators (a secondary source)
EU    Implementing Regulation (EU) 2023/564, under Regulation (EC) 1107/2009, art. 67(1) (article 1 and
      national guidance; not its annex)

The rules change and local ones add to them: the current text governs. Elements without a rule are ours, or
common practice of labels and local rules (wind and weather).
"""

from dataclasses import dataclass
from typing import Final

RULES: Final = {
    "US-P": "7 CFR 110.3(a): restricted use products, private applicators",
    "US-C": "40 CFR 171.303(b)(7): commercial applicators",
    "EU": "Implementing Regulation (EU) 2023/564",
}


@dataclass(frozen=True, slots=True)
class Element:
    key: str
    label: str
    rules: tuple[str, ...]
    group: str
    from_log: bool = False  #: the log, or a sum made of it, can fill it in
    asked: bool = True  #: a person is asked for it where it is blank
    hint: str = ""  #: what a value looks like; invented
    draft: bool = False  #: what the log fills in is a draft: the person is asked whether it was so


ELEMENTS: Final = (
    Element("applicator_name", "Certified applicator", ("US-P", "US-C", "EU"), "who", hint="A. Applicator"),
    Element("applicator_number", "Certification number", ("US-P", "US-C"), "who", hint="000-000"),
    Element("helpers", "Noncertified applicators under supervision", ("US-C",), "who", hint="none"),
    Element("customer", "Customer, name and address", ("US-C",), "who"),
    Element("date", "Date", ("US-P", "US-C", "EU"), "when", from_log=True, hint="2026-06-01"),
    Element("start_time", "Start", ("US-C", "EU"), "when", from_log=True, hint="08:30 MDT"),
    Element("end_time", "End", (), "when", from_log=True, hint="11:15 MDT"),
    Element("place", "Place in words", ("US-P", "US-C"), "where", hint="county and section, or a map"),
    Element("position", "Position (WGS 84, degrees)", ("EU",), "where", from_log=True),
    Element("area_treated", "Area treated", ("US-P", "US-C", "EU"), "where", from_log=True, hint="12 ac"),
    Element("plot_size", "Size of the plot or field", ("EU",), "where", hint="12 ac"),
    Element("crop_or_site", "Crop, commodity or site", ("US-P", "US-C", "EU"), "what", hint="rangeland"),
    Element("eppo_code", "EPPO code of the crop", ("EU",), "what", hint="ZEAMX"),
    Element("growth_stage", "Growth stage (BBCH), where relevant", ("EU",), "what", hint="14"),
    Element("type_of_use", "Type of use", ("EU",), "what", hint="open field"),
    Element("products", "Products: name, registration number, dose", ("US-P", "US-C", "EU"), "what"),
    Element("product_totals", "Total amount of each product", ("US-P", "US-C"), "what", from_log=True),
    Element("spray_volume", "Spray volume applied", (), "what", from_log=True, hint="200 gal"),
    Element("rate", "Application rate, mean and target", (), "what", from_log=True, asked=False),
    Element("in_tolerance", "Share of the area within tolerance", (), "what", from_log=True, asked=False),
    Element("wind", "Wind as observed: speed, from where", (), "weather", from_log=True, draft=True,
            hint="4 mph from the north-west"),
    Element("weather", "Temperature, humidity, sky as observed", (), "weather", from_log=True, draft=True,
            hint="62 F, 45 %, clear"),
    Element("weather_observed", "Observed by, where and when", (), "weather", from_log=True, draft=True,
            hint="at the field, 08:40"),
    Element("remarks", "Remarks", (), "weather", from_log=True),
    Element("rig", "Rig", (), "source", from_log=True, asked=False),
    Element("run", "Run log", (), "source", from_log=True, asked=False),
)  # fmt: skip

BY_KEY: Final = {element.key: element for element in ELEMENTS}
DUTY: Final = (
    "The duty to keep a true and complete record stays with the certified applicator. rigmon fills in what "
    "its log knows and does not judge whether a rule is met; the label, current rules and local ones govern."
)
