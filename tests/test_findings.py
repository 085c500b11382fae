from cemgis.findings import find, tabulate


def test_a_finding_about_what_no_database_keeps_is_written_out():
    made = tabulate([find("record to look at again", "spaces a\0b\ud800", "there is no a\0b\ud800")])
    row = made.iloc[0]
    assert row["subject"] == r"spaces a\x00b\ud800"
    assert row["reason"] == r"there is no a\x00b\ud800"
    assert row["finding_id"] == r"record to look at again: spaces a\x00b\ud800"
