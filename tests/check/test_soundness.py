"""The quick look at whole columns finds a frame sound just where its pandera model finds nothing wrong."""

from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandera.errors import SchemaErrors

from pipeline.check.checking import _failures
from pipeline.check.soundness import is_sound, keeps_schema
from schemas import mart
from schemas.columns import columns
from schemas.inputs import MODELS
from schemas.vocabulary import CONDITION_LEVELS, EDGE_REASONS, INPUT_KINDS, OUTCOMES, InputKind

START = datetime(2026, 1, 5, 6, tzinfo=UTC)
WORDS = {"outcome": OUTCOMES, "reason": EDGE_REASONS, "level": CONDITION_LEVELS}


def values(name: str, dtype: pl.DataType) -> st.SearchStrategy[Any]:
    """Mostly what may stand in a field, and sometimes what may not."""
    if name in WORDS:
        return st.sampled_from([*WORDS[name] * 3, "", "other"])
    if dtype == pl.String:
        return st.sampled_from(["M1", "a", "ö", " ", "M1", "b", ""])
    if dtype == pl.Int64:
        return st.integers(-1, 6)
    if dtype == pl.Float64:
        return st.sampled_from([0.0, 1.5, 90.0, -0.0, -0.5, 1e9])
    if dtype == pl.Date:
        return st.just(START.date())
    return st.integers(-1, 40).map(lambda days: START + timedelta(days=days))


def frames(kind: InputKind) -> st.SearchStrategy[pl.DataFrame]:
    """A few rows of a kind, any of whose fields may be empty."""
    fields = {
        name: st.one_of(values(name, dtype), values(name, dtype), st.none()) for name, dtype in columns(kind).items()
    }
    full = {name: values(name, dtype) for name, dtype in columns(kind).items()}
    row = st.one_of(st.fixed_dictionaries(full), st.fixed_dictionaries(fields))
    return st.lists(row, max_size=3).map(lambda rows: pl.DataFrame(rows, schema=columns(kind)))


@pytest.mark.parametrize("kind", INPUT_KINDS)
@settings(max_examples=60, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_a_frame_is_sound_just_where_its_model_finds_nothing(kind, data):
    """The two never differ, so the model need not be asked about sound frames."""
    rows = data.draw(frames(kind))

    assert is_sound(rows, kind) == (_failures(rows, kind) is None)


@pytest.mark.parametrize("kind", INPUT_KINDS)
def test_the_rules_of_every_model_are_known(kind):
    """A rule that is added to a model must be taught here too: an unknown one is a KeyError at once, not a pass."""
    assert is_sound(pl.DataFrame(schema=columns(kind)), kind)
    assert MODELS[kind].columns.keys() == columns(kind).keys()


def test_a_frame_of_other_columns_or_types_is_not_sound():
    """The model says then what is wrong with it."""
    rows = pl.DataFrame(schema=columns("job"))

    assert not is_sound(rows.select(reversed(rows.columns)), "job")
    assert not is_sound(rows.with_columns(pl.col("quantity").cast(pl.Int32)), "job")
    assert not is_sound(rows.drop("material"), "job")


MAY_STAND: dict[Any, list[Any]] = {
    pl.String: ["2026-03", "2026-03-02", "x", "", "2026-W03", "over"],
    pl.Int64: [1, 0, -1, 7],
    pl.Float64: [0.5, 0.0, 1.0, -1.0, 1.5, 1e7],
    pl.Boolean: [True, False],
    pl.Date: [START.date()],
    pl.Datetime("us", "UTC"): [START],
}


@pytest.mark.parametrize("name", mart.MODELS)
def test_a_mart_keeps_its_schema_just_where_its_model_finds_nothing(name):
    """A sound row of every mart, and the same with one value after another that may break a rule."""
    rng, schema, types = Random(name), mart.MODELS[name].to_schema(), mart.columns(name)

    def agree(row: dict[str, Any]) -> bool:
        rows = pl.DataFrame([row], schema=types, orient="row")
        try:
            mart.MODELS[name].validate(rows, lazy=True)
            told = True
        except SchemaErrors:
            told = False
        assert keeps_schema(rows, schema) == told
        return told

    def might_be(column: str) -> list[Any]:
        allowed = [
            value for check in schema.columns[column].checks for value in check.statistics.get("allowed_values", ())
        ]
        return [*allowed, *MAY_STAND[types[column]], None]

    def is_allowed(column: str, value: Any) -> bool:
        return keeps_schema(
            pl.DataFrame({column: [value]}, schema={column: types[column]}), schema.select_columns([column])
        )

    row = {column: next(value for value in might_be(column) if is_allowed(column, value)) for column in types}
    assert agree(row)
    for column in rng.sample([*types], min(6, len(types))):
        agree({**row, column: rng.choice(might_be(column))})
