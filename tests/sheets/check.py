#!/usr/bin/env python3
"""Reads the tables of `review --report` with readers of other makers: Python's csv, openpyxl.

    check.py FOLDER [LABEL]

FOLDER is what --report wrote. Each table is built anew here from review.json and compared cell by cell,
in CSV and in the workbook. LABEL is a text that a spreadsheet would run as a formula and that stands on
the traces as their operator: it has to come out as a text.
"""
import csv
import datetime
import json
import sys

import openpyxl

FORMULA_SIGNS = tuple("=+-@＝＋－＠")
MARKED = ("verdict", "fiber_verdict", "severity")


def expected(document):
    """Each table as (rows, own keys): a row is a dict of heading to value."""
    fibers = document["fibers"]

    def parts(name, more):
        return [{**more(fiber), **part} for fiber in fibers for part in fiber[name]]

    tests = [
        {**t, "counts": "yes" if t["counts"] else "no", "reasons": "; ".join(t["reasons"])}
        for t in document["tests"]
    ]
    links = parts("links", lambda f: {
        "fiber": f["fiber"], "color": f["color"], "tube_color": f["tube_color"],
        "fiber_verdict": f["verdict"], "length_m": f["length_m"]})
    joints = parts("joints", lambda f: {"fiber": f["fiber"]})
    for row in joints:
        row["joint"] = row.pop("name")
    sections = parts("sections", lambda f: {"fiber": f["fiber"]})
    findings = parts("findings", lambda f: {"fiber": f["fiber"]})
    findings += [{"fiber": None, **found} for found in document["findings"]]
    names = sorted({name for found in findings for name in found["evidence"]})
    for row in findings:
        evidence = row.pop("evidence")
        row["files"] = "; ".join(row["files"])
        row.update({f"evidence_{name}": evidence.get(name) for name in names})
    return {"tests": tests, "links": links, "joints": joints, "sections": sections, "findings": findings}


def harmless(text):
    return "'" + text if text.lstrip().startswith(FORMULA_SIGNS) else text


def check_csv(path, rows):
    with open(path, newline="", encoding="utf-8") as file:
        got = list(csv.DictReader(file))
    assert len(got) == len(rows), f"{path}: {len(got)} rows, expected {len(rows)}"
    cells = 0
    for line, (row, want) in enumerate(zip(got, rows), 2):
        assert set(row) == set(want), f"{path}: columns {sorted(row)}, expected {sorted(want)}"
        for name, value in want.items():
            cell, where = row[name], f"{path}, line {line}, {name}"
            if value is None or value == "":
                assert cell == "", f"{where}: {cell!r}, expected nothing"
            elif isinstance(value, str):
                assert cell == harmless(value), f"{where}: {cell!r}, expected {value!r}"
                assert not cell.startswith(FORMULA_SIGNS), f"{where}: {cell!r} would be run"
            else:
                assert float(cell) == value, f"{where}: {cell!r}, expected {value}"
            cells += 1
    return cells


def check_sheet(page, rows):
    name = page.title
    assert page.freeze_panes == "A2", f"{name}: the heading is not frozen"
    heading, *lines = page.iter_rows()
    columns = [cell.value for cell in heading]
    if rows:
        assert page.auto_filter.ref == page.dimensions, f"{name}: filter {page.auto_filter.ref}"
    assert len(lines) == len(rows), f"{name}: {len(lines)} rows, expected {len(rows)}"
    for letter in (cell.column_letter for cell in heading):
        assert page.column_dimensions[letter].width > 8, f"{name}: column {letter} has no width"
    cells = 0
    for line, want in zip(lines, rows):
        for column, cell in zip(columns, line):
            value, where = want[column], f"{name}!{cell.coordinate} ({column})"
            assert cell.data_type != "f", f"{where}: a formula"
            if value is None or value == "":
                assert cell.value is None, f"{where}: {cell.value!r}, expected nothing"
            elif isinstance(value, str):
                assert cell.value == harmless(value), f"{where}: {cell.value!r}, expected {value!r}"
            else:
                assert cell.data_type == "n" and cell.value == value, f"{where}: {cell.value!r}, expected {value}"
            cells += 1
    marks = {rule.text for ranges in page.conditional_formatting for rule in ranges.rules}
    marked = any(column in MARKED for column in columns)
    assert marked == bool(marks), f"{name}: marks {marks}"
    assert not marked or {"fail", "undecided", "missing", "pass", "fault"} <= marks, f"{name}: marks {marks}"
    return cells


def main():
    folder, label = sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else None
    with open(f"{folder}/review.json", encoding="utf-8") as file:
        document = json.load(file)
    tables = expected(document)
    cells = sum(check_csv(f"{folder}/{name}.csv", rows) for name, rows in tables.items())
    book = openpyxl.load_workbook(f"{folder}/review.xlsx")
    assert book.sheetnames == list(tables), book.sheetnames
    assert cells == sum(check_sheet(book[name], rows) for name, rows in tables.items())
    assert cells > 500, f"only {cells} cells to compare"
    taken = max(t["measured_at"] for t in document["tests"] if t["measured_at"])
    made = datetime.datetime.strptime(taken, "%Y-%m-%dT%H:%M:%SZ")
    assert book.properties.created.replace(tzinfo=None) == made, f"{book.properties.created}, expected {taken}"
    if label is not None:
        operators = {row["operator"] for row in tables["tests"]} - {None}
        assert operators == {label}, f"{operators}: the check needs {label!r} on every trace"
    print(f"{cells} cells, the same in JSON, CSV and workbook")


if __name__ == "__main__":
    main()
