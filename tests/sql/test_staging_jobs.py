"""staging.jobs: the highest revision, closed jobs only."""

from __future__ import annotations


def test_highest_revision_wins_whatever_the_order(make_warehouse) -> None:
    con = make_warehouse(
        {
            "jobs": """
        job_id | revision | status    | loop_id | reported_at          | restored_at
        J1     | 2        | closed    | L2      | 2020-01-01 10:00:00Z | 2020-01-01 12:00:00Z
        J1     | 1        | closed    | L1      | 2020-01-01 10:00:00Z | 2020-01-01 11:00:00Z
        J2     | 1        | closed    | L1      | 2020-01-02 10:00:00Z | 2020-01-02 11:00:00Z
        J2     | 2        | cancelled | L1      | 2020-01-02 10:00:00Z | 2020-01-02 11:00:00Z
        J3     |          |           | L3      | 2020-01-03 10:00:00Z | 2020-01-03 11:00:00Z
    """
        },
        build=("staging",),
    )
    rows = con.execute("select job_id, revision, loop_id from staging.jobs order by job_id").fetchall()
    assert rows == [("J1", 2, "L2"), ("J3", None, "L3")]


def test_every_model_has_the_columns_of_the_dictionary(make_warehouse) -> None:
    from pipelines import warehouse
    from shared import dictionary

    con = make_warehouse({}, build=("staging",))
    for name in warehouse.models():
        if name.startswith("staging."):
            built = [row[0] for row in con.execute(f"describe {name}").fetchall()]
            assert built == list(dictionary.tables()[name].columns), name
