"""Headers and words that people use for the canonical ones: what proposals are made of.

Common practice, no source: collected from how inspection sheets are usually headed and filled in.
They serve proposals only; a file in the default layout is held to the vocabulary itself.
"""

from __future__ import annotations

HEADER_SYNONYMS: dict[str, tuple[str, ...]] = {
    "building_id": (
        "building", "bldg", "bldg id", "bldg no", "bldg #", "building no", "building number",
        "building #", "building code", "property id", "property no", "property", "site id", "site",
        "asset id", "house id", "house no", "estate no", "bldg code", "bldg cd", "bldg ref",
        "building ref", "building reference", "site no", "site code", "property code",
        "property ref", "premises id",
    ),
    "name": ("building name", "property name", "site name", "house name"),
    "address": ("street address", "site address", "street", "addr", "property address"),
    "city": ("town", "municipality", "town city", "place"),
    "postal_code": ("postcode", "zip", "zip code", "post code", "postal"),
    "latitude": ("lat", "y coord", "geo lat"),
    "longitude": ("lon", "lng", "long", "x coord", "geo lon"),
    "year_built": (
        "built", "yr built", "year of construction", "construction year", "build year",
        "year constructed", "yr blt", "erected",
    ),
    "year_rewired": ("rewired", "rewire year", "year of rewiring", "rewired in", "last rewire"),
    "wiring_method": ("wiring", "wiring type", "branch wiring", "wiring system"),
    "wiring_metal": (
        "conductor metal", "conductor material", "wire material", "branch conductor", "wire metal",
    ),
    "panel_type": ("panel", "service panel", "panel kind", "fuse or breaker", "fuses or breakers"),
    "fuses_oversized": ("oversized fuses", "over fused", "overfused", "overfusing", "oversized"),
    "storeys": ("floors", "stories", "no of storeys", "confirmed storeys", "levels", "num floors"),
    "dwelling_units": (
        "units", "no of units", "dwellings", "apartments", "flats", "unit count", "confirmed units",
        "number of units", "num units", "suites",
    ),
    "receptacle_count": (
        "receptacles", "outlets", "outlet count", "no of outlets", "openings", "receptacle total",
    ),
    "occupants": ("residents", "people", "no of residents", "tenants", "headcount", "occupancy"),
    "vulnerable_occupants": (
        "vulnerable", "vulnerable residents", "children and elderly", "at risk occupants",
    ),
    "insured_value": ("sum insured", "insured", "tiv", "insured sum", "total insured value"),
    "owner": ("owned by", "owner name", "landlord", "proprietor"),
    "manager": ("managed by", "managing agent", "property manager", "management", "agent"),
    "unit_id": (
        "unit", "apt", "apartment", "flat", "suite", "dwelling", "unit no", "apt no", "apt #",
        "unit #", "flat no", "dwelling no", "unit number", "apartment no", "apartment number",
        "apt number", "suite no", "dwelling id",
    ),
    "room": ("location", "area", "room name", "space"),
    "opening_id": (
        "opening", "outlet", "receptacle", "outlet id", "receptacle id", "outlet no", "outlet #",
        "receptacle no", "opening no", "point", "point no", "device", "device id", "position",
        "receptacle #", "outlet number", "receptacle number", "opening number", "socket",
        "socket no", "outlet ref", "receptacle ref",
    ),
    "circuit_id": ("circuit", "breaker", "circuit no", "ckt", "ckt no", "breaker no", "cct"),
    "observed_on": (
        "date", "test date", "inspection date", "inspected", "tested on", "date tested",
        "date of test", "inspected on", "date inspected", "visit date", "observed", "checked on",
        "date of inspection", "day", "insp date", "insp dt", "test dt", "look date", "survey date",
        "checked", "date checked", "tested",
    ),
    "inspector": (
        "tester", "tested by", "inspected by", "technician", "tech", "by", "checked by",
        "electrician", "surveyor", "initials", "inspector name",
    ),
    "method": (
        "test method", "instrument", "tool", "tester type", "how tested", "means", "test type",
        "equipment", "device used", "tester", "tester used", "tester model", "instrument used",
    ),
    "selection": ("sample type", "why", "reason", "sampling", "sample basis", "selected by"),
    "slots": ("type", "face", "receptacle type", "outlet type", "prongs", "slot type", "pins"),
    "result": (
        "reading", "finding", "outcome", "test result", "status", "indication", "lamp reading",
        "condition", "fault", "verdict", "results", "findings", "result code", "result cd",
        "lamps", "wiring result", "tester reading", "tester result", "defect", "faults",
        "observation", "wiring fault", "wiring condition", "wiring status",
    ),
    "cover_removed": ("cover off", "opened", "cover removed", "plate off"),
    "ground_present": ("ground in box", "egc", "egc present", "ground wire", "ground found"),
    "neutral_ground_jumper": ("jumper", "bootleg", "n g jumper", "bootleg jumper", "ng jumper"),
    "polarity": ("polarity ok", "pol"),
    "neutral_ground_volts": (
        "n g volts", "ng volts", "v n g", "vng", "neutral ground v", "n g voltage", "n g v",
        "neutral to ground volts", "neutral to ground", "n g mv", "ng mv", "neutral ground mv",
    ),
    "load_amps": ("load", "load a", "amps", "load current", "test load", "load ma"),
    "ground_path_ohms": (
        "ground ohms", "ground impedance", "impedance", "loop ohms", "zg", "ground path",
        "earth impedance", "ground z", "ground path impedance", "impedance ohm",
    ),
    "hot_neutral_volts": (
        "h n volts", "hn volts", "hot to neutral", "hot neutral v", "slot volts", "supply volts",
        "supply voltage", "line voltage", "v h n", "h n voltage", "h n v",
    ),
    "plate_earth_volts": (
        "plate volts", "plate v", "plate to earth", "cover plate volts", "plate to earth volts",
    ),
    "case_earth_volts": (
        "case volts", "case v", "case to earth", "metal case volts", "case to earth volts",
        "appliance case volts",
    ),
    "ground_contact_earth_volts": (
        "ground contact volts", "ground contact v", "ground to earth volts", "ground pin volts",
        "ground contact to earth", "g contact volts",
    ),
    "non_contact_detector": (
        "non contact", "non contact voltage", "ncv", "ncvd", "voltage detector",
        "non contact tester", "proximity tester", "volt stick",
    ),
    "heat_or_scorch": (
        "heat", "scorch", "scorched", "burn marks", "scorch marks", "hot to touch", "overheating",
        "discoloured", "discolored", "burnt",
    ),
    "shock_reported": ("shock", "shocks", "got a shock", "tingle", "shock felt", "tenant shock"),
    "gfci_protected": ("gfci", "gfi", "gfci y n", "gfci protection", "gfi protected", "rcd"),
    # A plug-in tester's button trips no GFCI where there is no ground: only the GFCI's own counts.
    "gfci_button_tripped": (
        "gfci own button", "gfci own test button", "gfci own button tripped",
        "gfci device button tripped", "gfci tripped by its own button",
    ),
    "gfci_year": (
        "gfci year made", "gfci made in", "gfci year installed", "gfci installed in",
        "year of gfci", "gfci year of manufacture",
    ),
    "gfci_tested_on": (
        "gfci last tested", "gfci last tested on", "gfci test date", "gfci button last pressed on",
    ),
    "marking": ("label", "labels", "labelled", "sticker", "markings"),
    "reference": (
        "reference no", "reference number", "ref no", "ref", "case no", "case number", "case id",
        "violation id", "violation no", "violation number", "citation no", "citation number",
        "citation id", "notice no", "notice number", "complaint id", "complaint no",
        "complaint number", "ticket", "ticket no", "ticket number", "request no", "request number",
        "work order", "work order no", "work order number", "work order id", "wo no", "wo number",
        "wo #", "job no", "job number", "permit no", "permit number", "permit id", "permit #",
    ),
    "reported_on": (
        "reported", "date reported", "report date", "issue date", "issued", "issued on",
        "date issued", "violation date", "citation date", "notice date", "received", "received on",
        "date received", "received date", "complaint date", "opened", "opened on", "open date",
        "date opened", "requested on", "request date", "created", "created on", "created date",
        "permit date", "permit issued", "nov issued date", "filed on", "date filed",
    ),
    "status": (
        "violation status", "citation status", "complaint status", "case status", "current status",
        "work order status", "wo status", "permit status", "disposition",
    ),
    "status_on": (
        "status date", "closed on", "close date", "closed date", "date closed", "completed on",
        "completion date", "completed date", "resolved on", "resolved date", "resolution date",
        "current status date", "disposition date", "final date", "finaled", "finalled on",
        "compliance date", "date corrected", "corrected on",
    ),
    "code_section": (
        "code", "section", "code ref", "code reference", "ordinance", "violation code", "article",
        "section cited", "code cited", "order no",
    ),
    "description": (
        "brief description", "short description", "long description", "desc",
        "violation description", "nov description", "complaint description", "problem",
        "problem description", "work description", "description of work", "scope of work", "scope",
        "narrative", "details", "complaint", "violation", "complaint text", "issue", "request",
        "work performed", "summary", "comments text",
    ),
    "issued_by": ("issuing agency", "agency", "department", "issued by", "authority", "officer"),
    "finding_id": ("finding", "finding no", "our reference", "reference", "ref", "work item"),
    "family": ("defect family", "defect"),
    "remedy": (
        "work done", "work carried out", "work performed", "work completed", "description of work",
        "works", "repair", "repair made", "repair done", "remedy done", "fix", "what was done",
        "action taken", "method of repair",
    ),
    "fixed_on": (
        "date fixed", "fixed", "date of work", "date of repair", "repaired on", "repair date",
        "completed on", "date completed", "completed", "completion date", "done on", "work date",
        "date",
    ),
    "firm": ("contractor", "company", "electrical contractor", "contractor name"),
    "worker": (
        "electrician", "done by", "carried out by", "technician", "tech", "performed by",
        "worked by",
    ),
    "licence": ("license", "licence no", "license no", "licence number", "license number"),
    "permit": ("permit no", "permit number"),
    "invoice": ("invoice no", "invoice number", "inv no", "bill no", "bill number"),
    "cost": (
        "price", "amount", "charge", "invoice amount", "amount charged", "amount billed", "total",
        "total cost", "total price", "total amount",
    ),
    "attachments": ("attachment", "photo", "photos", "link", "document"),
    "report_kind": ("report type", "record type", "case type", "paper"),
    "note": ("notes", "remark", "remarks", "comment", "comments", "memo"),
    "evaluated_on": (
        "evaluation date", "date evaluated", "evaluation completed on", "graded on", "visit date",
        "date of evaluation",
    ),
    "evaluator": ("evaluated by", "graded by"),
    "item": ("graded item", "area graded", "category", "element"),
    "grade": ("score", "rating", "mark"),
    "scale_best": ("out of", "best grade", "max score", "scale"),
    "items_graded": ("graded items",),
    "items_reported": ("no of areas evaluated", "items evaluated"),
}  # fmt: skip
"""Canonical column to other headers for it."""

VALUE_SYNONYMS: dict[str, dict[str, tuple[str, ...]]] = {
    "method": {
        "three_lamp_tester": (
            "plug tester", "plug in tester", "3 lamp", "3 light", "three light",
            "three light tester",
            "3 light tester", "3 lamp tester", "three lamp", "receptacle tester", "outlet tester",
            "socket tester", "lamp tester", "lamps",
        ),
        "voltmeter_under_load": (
            "meter under load", "loaded meter", "loaded voltmeter", "voltmeter loaded",
            "multimeter under load", "voltage under load", "volts under load", "meter with load",
        ),
        "ground_impedance_meter": (
            "impedance meter", "ground impedance", "ground impedance tester", "impedance tester",
            "circuit analyzer", "circuit analyser", "ground loop impedance", "loop tester",
        ),
        "cover_off_inspection": (
            "cover off", "opened", "opened box", "box opened", "box open", "pulled",
            "cover removed",
            "cover off look",
        ),
        "visual": ("look", "eye", "visual only", "seen", "visual inspection", "visual check"),
    },
    "selection": {
        "survey": ("all", "every opening", "full", "full survey", "100 %", "100%"),
        "random": ("sample", "random sample", "sampled", "drawn"),
        "targeted": ("suspect", "suspected", "target", "chosen"),
        "complaint": ("tenant complaint", "reported", "call", "request", "resident report"),
    },
    "slots": {
        "three_slot": (
            "3", "3 slot", "three prong", "3 prong", "grounding", "3 pin", "three pronged",
            "grounding type", "3 wire", "3p", "3 hole", "three hole", "three slot receptacle", "3s",
            "grounded type",
        ),
        "two_slot": (
            "2", "2 slot", "two prong", "2 prong", "non grounding", "nongrounding", "2 pin",
            "two pronged", "ungrounded type", "2 wire", "2p", "2 hole", "two hole", "2s",
            "two slot receptacle", "non grounded", "nongrounded",
        ),
    },
    "result": {
        "correct": ("ok", "okay", "pass", "passed", "good", "wired correctly", "correct wiring",
        "fine", "correctly wired", "wired ok", "wiring ok", "tests ok", "tested ok", "normal",
        "no fault", "no faults", "no defect", "no defects", "satisfactory"),
        "open_ground": (
            "no ground", "open gnd", "og", "ground open", "ungrounded", "no earth", "open earth",
            "missing ground", "op gnd", "no gnd", "no grd", "open grd", "gnd open", "not grounded",
            "ground missing", "no egc", "opn gnd", "open grnd", "no grnd", "lost ground",
        ),
        "open_neutral": (
            "neutral open", "no neutral", "open neut", "op neu", "no neut", "opn neu", "open neu",
            "neut open", "lost neutral", "missing neutral",
        ),
        "open_hot": (
            "hot open", "no hot", "op hot", "opn hot", "missing hot", "open line", "open phase",
        ),
        "hot_neutral_reversed": (
            "rev pol", "rev. pol.", "revpol", "pol rev", "polarity rev", "reverse pol",
            "reversed pol", "h n rev", "hot neutral rev", "hot neut rev",
            "hot and neutral reversed",
            "hot & neutral reversed", "h-n swap", "hn swapped", "hot neutral swapped",
            "swapped", "polarity swapped", "wrong polarity", "polarity fault", "hot/neut rev",
            "reversed", "reverse polarity", "reversed polarity", "rev polarity", "h n reversed",
            "hot neutral reverse", "polarity reversed", "hot neu rev", "hn rev", "hot/neu rev",
            "hot/neutral reversed", "h/n reversed", "rp", "hot/neutral rev",
        ),
        "hot_ground_reversed": (
            "h g reversed", "hot ground reverse", "hot gnd rev", "hg rev", "hot/gnd rev",
            "hot/ground reversed", "h/g reversed", "hot/ground rev", "h/g rev",
            "hot and ground reversed", "hot & ground reversed", "hot gnd reversed",
        ),
        "false_ground": (
            "bg", "bootleg gnd", "bootlegged", "bootlegged ground", "false gnd", "fake ground",
            "n g jumper", "n-g bond", "neutral-ground jumper", "jumper n-g", "ng jumper",
            "ground jumpered to neutral", "ground tied to neutral", "cheater ground",
            "bootleg", "bootleg ground", "false earth", "jumpered", "neutral ground jumper",
        ),
        "reversed_false_ground": (
            "reverse polarity bootleg ground", "rpbg", "reversed bootleg",
            "reversed bootleg ground", "rev pol bootleg", "rev pol bg", "reverse polarity bootleg",
            "reversed polarity bootleg ground", "bootleg reversed", "rev bootleg",
            "reversed polarity false ground", "bootleg ground reversed polarity",
        ),
        "no_power": (
            "dead", "no voltage", "not live", "no pwr", "no supply", "de-energized", "deenergized",
        ),
        "not_accessible": (
            "inaccessible", "no access", "blocked", "behind furniture", "could not reach", "n acc",
        ),
        "not_tested": ("untested", "skipped", "nt", "not checked", "n/t", "not done"),
    },
    "report_kind": {
        "citation": ("violation", "notice of violation", "nov", "code violation", "order"),
        "complaint": ("tenant complaint", "service request", "request"),
        "work_order": ("wo", "work order", "job", "repair order", "maintenance"),
        "permit": ("electrical permit", "building permit"),
    },
    "status": {
        "open": (
            "active", "pending", "in progress", "new", "issued", "unresolved", "outstanding",
            "not complied", "assigned", "violation open", "nov sent",
        ),
        "corrected": (
            "complied", "corrected on", "fixed", "repaired", "resolved", "abated", "finaled",
            "finalled", "final", "completed", "complete", "done", "work completed", "certified",
        ),
        "closed": (
            "violation closed", "closed on paper", "administratively closed", "expired", "void",
            "voided", "withdrawn", "cancelled", "canceled", "rejected", "duplicate", "superseded",
            "no access", "referred",
        ),
        "dismissed": (
            "unfounded", "violation dismissed", "rescinded", "not substantiated",
            "unsubstantiated", "no violation found",
        ),
    },
    "polarity": {
        "correct": ("ok", "good", "right", "normal", "pass"),
        "reversed": ("rev", "swapped", "wrong", "reverse", "fail"),
    },
    "marking": {
        "no_equipment_ground": ("no equipment ground label", "neg", "no eq ground", "no egc label"),
        "gfci_protected": ("gfci", "gfi", "gfci label", "gfi protected", "gfci protected label"),
        "both": (
            "both labels", "gfci & neg", "both stickers", "no equipment ground + gfci protected",
            "no equipment ground & gfci protected", "no equipment ground and gfci protected",
            "no equipment ground; gfci protected", "no equipment ground, gfci protected",
            "gfci protected + no equipment ground", "gfci protected & no equipment ground",
            "gfci protected and no equipment ground", "gfci protected; no equipment ground",
            "gfci protected, no equipment ground",
        ),
    },
    "wiring_metal": {
        "copper": ("cu",),
        "aluminum": ("al", "aluminium", "alum"),
        "mixed": ("cu al", "al cu", "both", "copper and aluminum", "copper and aluminium"),
    },
    "panel_type": {
        "fuses": ("fuse", "fuse box", "fuse panel", "fusebox"),
        "circuit_breakers": ("breaker", "breakers", "circuit breaker", "cb", "breaker panel"),
        "both": ("fuses and breakers", "mixed"),
    },
    "panel_condition": {
        "sound": ("good", "ok"),
        "worn": ("fair", "aged"),
        "damaged": ("poor", "bad", "corroded", "rusted"),
        "overheated": ("burnt", "burned", "scorched", "hot"),
    },
    "wiring_method": {
        "knob_and_tube": ("k&t", "kt", "knob & tube", "k and t", "k t"),
        "cable_without_ground": (
            "old nm", "2 wire cable", "nm without ground", "two wire", "2 wire",
        ),
        "cable_with_ground": ("nm", "nm with ground", "nm b", "3 wire cable", "modern cable"),
        "armored_cable": ("ac", "bx", "armoured cable", "armored"),
        "metal_raceway": ("emt", "conduit", "metal conduit", "raceway"),
        "mixed": ("various", "mix", "several"),
    },
}  # fmt: skip
"""Column to canonical word to other words for it."""
