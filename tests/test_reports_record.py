"""The record of a page: every input once, one hash for all, and no table that is not there."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pandas as pd
from reporting_examples import RECORD, make_receipts

from carnivore_sign.reports import PageRecord
from carnivore_sign.reports.record import record_blocks


def record_of(receipts: pd.DataFrame) -> PageRecord:
    return replace(RECORD, receipts=receipts)


def test_a_file_that_filled_several_tables_is_one_input() -> None:
    receipts = make_receipts()
    both = pd.concat([receipts, receipts.iloc[[0]].assign(table_name="waypoints")])
    assert record_of(both).inputs.to_dict("list") == {
        "file": ["may_walks.gpx", "notebook.csv"],
        "sha256": ["a" * 64, "b" * 64],
        "kind": ["gpx", "sign table"],
    }


def test_files_of_one_name_are_told_apart_by_their_content() -> None:
    same = record_of(make_receipts().assign(file="notebook.csv"))
    assert same.inputs["sha256"].tolist() == ["a" * 64, "b" * 64]


def test_the_combined_hash_hangs_on_every_content_and_on_no_order() -> None:
    receipts = make_receipts()
    expected = hashlib.sha256(b"a" * 64 + b"\n" + b"b" * 64 + b"\n").hexdigest()
    assert record_of(receipts).combined_hash == expected
    assert record_of(receipts.iloc[::-1]).combined_hash == expected
    changed = receipts.assign(sha256=["a" * 64, "c" * 64])
    assert record_of(changed).combined_hash != expected


def test_a_page_without_tables_or_inputs_names_none() -> None:
    alone = replace(RECORD, tables=None)
    assert ".csv" not in str(record_blocks(alone))
    assert "tables/inputs.csv" in str(record_blocks(RECORD))
    assert "SHA-256" not in str(record_blocks(replace(RECORD, receipts=make_receipts().iloc[:0])))
