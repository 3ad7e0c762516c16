"""The shape of a database, told by what it does and not by how it was written."""

from __future__ import annotations

import sqlite3

from gardenapp.services.upkeep.schema import Shape, differences, shape_of


def shape(*statements: str) -> Shape:
    connection = sqlite3.connect(":memory:")
    try:
        for statement in statements:
            connection.execute(statement)
        return shape_of(connection)
    finally:
        connection.close()


PLAIN = "CREATE TABLE plot (id INTEGER NOT NULL PRIMARY KEY, label VARCHAR(60) NOT NULL UNIQUE)"


def test_the_same_tables_in_other_words_are_the_same() -> None:
    other = (
        'create table "plot" ("id" integer not null primary key, label varchar(60) not null unique)'
    )

    assert shape(PLAIN) == shape(other)


def test_whatever_is_more_or_less_is_named() -> None:
    more = shape(PLAIN, "CREATE TRIGGER t AFTER INSERT ON plot BEGIN SELECT 1; END")
    less = shape("CREATE TABLE plot (id INTEGER NOT NULL PRIMARY KEY, label VARCHAR(60) UNIQUE)")

    assert differences(more, shape(PLAIN)) == ("has trigger t on plot",)
    assert "lacks column plot.label VARCHAR(60) not null" in differences(less, shape(PLAIN))


def test_references_and_indexes_in_part_are_seen() -> None:
    found = shape(
        PLAIN,
        "CREATE TABLE bed (id INTEGER PRIMARY KEY, plot_id INTEGER REFERENCES plot (id) "
        "ON DELETE CASCADE, is_open BOOLEAN)",
        "CREATE UNIQUE INDEX one ON bed (plot_id) WHERE is_open",
        "CREATE VIEW seen AS SELECT 1",
    )

    assert "reference bed.plot_id to plot.id on delete CASCADE" in found
    assert "unique bed ['plot_id'] in part" in found
    assert any(line.startswith("view seen") for line in found)
