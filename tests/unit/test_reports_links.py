"""Tokens become addresses where pages are served, and file names where they lie in a folder."""

from __future__ import annotations

from reports.links import NOWHERE, Links, jobs_listed, jobs_of, sheet_file


def test_served_pages_have_an_address_for_everything() -> None:
    links = Links(is_served=True, query="district=OB")
    assert links.page("index") == "/?district=OB" and links.page("restoration") == "/restoration?district=OB"
    assert links.resolve("loop:a/b?c") == "/loop/a%2Fb%3Fc"
    assert links.resolve("jobs?method=visual") == "/rows/jobs?district=OB&method=visual"
    assert links.resolve("jobs") == "/rows/jobs?district=OB"
    assert links.resolve(None) == links.resolve("") == ""


def test_files_have_an_address_for_what_is_beside_them() -> None:
    links = Links(files=frozenset(("restoration.html", "loop-L1.html")))
    assert links.page("restoration") == "restoration.html" and links.page("locating") == ""
    assert links.resolve("loop:L1") == "loop-L1.html" and links.resolve("loop:L2") == ""
    assert links.resolve("jobs?method=visual") == ""
    assert NOWHERE.resolve("loop:L1") == ""


def test_ids_that_differ_have_files_that_differ_and_none_leaves_its_folder() -> None:
    idents = ("a b", "a_b", "a/b", "a_20_b", "../a", "a\\b", "ä", "A", "")
    names = [sheet_file("loop", ident) for ident in idents]
    assert len(set(names)) == len(idents)
    assert not [name for name in names if "/" in name or "\\" in name or not name.isascii()]


def test_a_group_of_jobs_has_a_token_and_crews_have_none() -> None:
    assert jobs_of() == "jobs"
    assert jobs_of("district", "O&B") == "jobs?district_id=O%26B"
    assert jobs_of("year", 2020, "arrive_to_locate") == (
        "jobs?reported_year=2020&has=arrive_to_locate_min&by=-arrive_to_locate_min"
    )
    assert jobs_of("crew", "TF-1") is None
    assert jobs_listed("J&1 J2") == "jobs?job_id=J%261&job_id=J2"
