"""The tables of a warehouse that findings come from, filled by hand."""

import datetime as dt

import duckdb
from ledger_samples import DAY, READINGS

from shared.vocabulary import CONDITIONS


class Warehouse:
    """The tables that findings come from, each row written by hand."""

    def __init__(self):
        self.con = duckdb.connect()
        shares = ", ".join(f"p_{c.value} DOUBLE DEFAULT 0" for c in CONDITIONS)
        self.con.execute(
            "CREATE TABLE buildings (building_no INTEGER, building_id VARCHAR);"
            "INSERT INTO buildings VALUES (0, 'B1'), (1, 'B2');"
            f"CREATE TABLE openings (building_id VARCHAR, unit_id VARCHAR, opening_id VARCHAR, "
            f"slots VARCHAR, gfci VARCHAR, marking VARCHAR, last_observed_on DATE, "
            f"methods VARCHAR[], looked BOOLEAN, {shares}, p_two_slot DOUBLE DEFAULT 0, "
            "defect VARCHAR, confirmed BOOLEAN, standing VARCHAR DEFAULT 'measured', "
            "standing_unrepaired VARCHAR DEFAULT 'measured');"
            "CREATE TABLE live_metal_looks (building_id VARCHAR, unit_id VARCHAR, "
            "opening_id VARCHAR, defect VARCHAR, says VARCHAR, standing VARCHAR, "
            "observed_on DATE, method VARCHAR, cleared_by VARCHAR, before_proof DATE, "
            "finding_id VARCHAR);"
            "CREATE TABLE told_by_hand (finding_id VARCHAR, sequence BIGINT);"
            "CREATE TABLE observations (building_no INTEGER, unit_id VARCHAR, opening_id VARCHAR, "
            "observed_on DATE, inspector VARCHAR, firm_of_inspector VARCHAR, method VARCHAR, "
            "result VARCHAR, slots VARCHAR, "
            "cover_removed VARCHAR, ground_present VARCHAR, neutral_ground_jumper VARCHAR, "
            "polarity VARCHAR, neutral_ground_volts DOUBLE, load_amps DOUBLE, "
            "ground_path_ohms DOUBLE, plate_earth_volts DOUBLE, case_earth_volts DOUBLE, "
            "ground_contact_earth_volts DOUBLE, hot_neutral_volts DOUBLE, "
            "non_contact_detector VARCHAR, heat_or_scorch VARCHAR, shock_reported VARCHAR, "
            "gfci_protected VARCHAR, gfci_button_tripped VARCHAR, marking VARCHAR, note VARCHAR, "
            "_part INTEGER DEFAULT 1, _row BIGINT DEFAULT 1);"
            "CREATE TABLE looks_elsewhere (building_no INTEGER, unit_id VARCHAR, "
            "opening_id VARCHAR, _part INTEGER, _row BIGINT, of_on DATE, of_defect BOOLEAN, "
            "says VARCHAR);"
            "CREATE TABLE looks_put_otherwise (_part INTEGER, _row BIGINT);"
            "CREATE TABLE paper_defects (building_no INTEGER, unit_id VARCHAR, "
            "report_kind VARCHAR, reference VARCHAR, reported_on DATE, status VARCHAR, "
            "status_on DATE, code_section VARCHAR, description VARCHAR, defect VARCHAR, "
            "answered BOOLEAN DEFAULT false, openings BIGINT DEFAULT 0, _part INTEGER DEFAULT 1, "
            "_row BIGINT DEFAULT 1);"
            "CREATE TABLE paper_answers (_part INTEGER, _row BIGINT, unit_id VARCHAR, "
            "opening_id VARCHAR, observed_on DATE, inspector VARCHAR, firm_of_inspector VARCHAR);"
            "CREATE TABLE contradicted_fixes (building_no INTEGER, unit_id VARCHAR, "
            "opening_id VARCHAR);"
            "CREATE TABLE data_quality_findings (kind VARCHAR, building_id VARCHAR, "
            'unit_id VARCHAR, opening_id VARCHAR, "column" VARCHAR, message VARCHAR);'
        )

    def insert(self, table, **values):
        names = ", ".join(f'"{name}"' for name in values)
        marks = ", ".join("?" for _ in values)
        self.con.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", list(values.values()))

    def opening(self, opening, defect, share, *, confirmed=True, looked=True, **more):
        self.con.execute("DELETE FROM openings WHERE opening_id = ?", [opening])
        values = {"slots": "three_slot", "last_observed_on": DAY, "methods": ["three_lamp_tester"]}
        own = {"building_id": "B1", "unit_id": "2A", "opening_id": opening, "defect": defect,
               f"p_{defect}": share, "confirmed": confirmed, "looked": looked}  # fmt: skip
        face = {**values, **more}["slots"]
        own["p_two_slot"] = 0.99 if face == "two_slot" else 0.0 if face else 0.3
        self.insert("openings", **{**values, **own, **more})

    def look(self, opening, method, result, days=0, *, complete=True, **more):
        said = READINGS.get((method, result), {}) if complete else {}
        content = {"inspector": "S. Ambrel", **said, **more}
        self.insert(
            "observations", building_no=0, unit_id="2A", opening_id=opening,
            observed_on=DAY + dt.timedelta(days), method=method, result=result, **content,
        )  # fmt: skip

    def urgent(self, opening, defect, days=0, *, standing="reported", cleared_by=None):
        self.insert(
            "live_metal_looks", building_id="B1", unit_id="2A", opening_id=opening, defect=defect,
            says=f"said to be {defect}", standing=standing, method="cover_off_inspection",
            observed_on=DAY + dt.timedelta(days), cleared_by=cleared_by,
        )  # fmt: skip
