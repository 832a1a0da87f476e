"""A stranger's program: from a bundle's files alone, residuals and their median. No Dialbench.

python recompute.py BUNDLE FOLDER
"""

import csv
import json
import statistics
import sys
from datetime import datetime
from pathlib import Path

bundle, folder = Path(sys.argv[1]), sys.argv[2]
package = json.loads((bundle / "datapackage.json").read_text())
listed = {resource["path"] for resource in package["resources"]}


def rows(name):
    assert f"{folder}/{name}.csv" in listed
    with open(bundle / folder / f"{name}.csv", newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def key(row, time):
    return row[time], row["channel"], row["threshold"], row["direction"]


measured = {key(row, "utc") for row in rows("crossings")}
due = {key(row, "utc") for row in rows("predictions") if row["kind"] == "matched"}
late = []
for row in rows("residuals"):
    assert key(row, "utc") in measured and key(row, "predicted_utc") in due
    one, other = (datetime.fromisoformat(row[time]) for time in ("utc", "predicted_utc"))
    late.append((one - other).total_seconds())
print(json.dumps({"first": late[:3], "median": statistics.median(late)}))
