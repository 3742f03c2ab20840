"""The broadcast sum on plain arrays, against adding everything everywhere."""

from math import prod

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swaptable.amounts.engine import Table, at_variants, codes_of, fixed, least, merged, spread


@st.composite
def grids(draw):
    """Draw a grid of up to five choices, and up to seven tables over some of them."""
    sizes = dict(enumerate(draw(st.lists(st.integers(1, 4), max_size=5))))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    own = draw(st.lists(st.sets(st.sampled_from(list(sizes))) if sizes else st.just(set()), min_size=1, max_size=7))
    tables = [Table(tuple(sorted(axes)), rng.normal(size=(3, *(sizes[axis] for axis in sorted(axes))))) for axes in own]
    return sizes, tables


def everywhere(sizes, tables):
    """Add table by table over the whole grid."""
    total = np.zeros((len(tables[0].values), *sizes.values()))
    for table in tables:
        total = total + table.over(list(sizes))
    return total


@settings(deadline=None)
@given(grids())
def test_the_sum_is_that_of_all_tables_everywhere(drawn):
    """However the grid is cut, every variant gets the sum of its cells."""
    sizes, tables = drawn
    np.testing.assert_allclose(spread(tables, sizes), everywhere(sizes, tables), atol=1e-12)
    np.testing.assert_allclose(spread(merged(tables), sizes), everywhere(sizes, tables), atol=1e-12)


@settings(deadline=None)
@given(grids(), st.data())
def test_a_part_is_a_part_of_the_whole(drawn, data):
    """Listed variants, and the part of a grid where some options are fixed, hold what the grid holds there."""
    sizes, tables = drawn
    whole = everywhere(sizes, tables)
    codes = codes_of(np.arange(prod(sizes.values())), list(sizes.values()))
    np.testing.assert_allclose(at_variants(tables, codes), whole.reshape(3, -1), atol=1e-12)
    held = data.draw(st.sets(st.sampled_from(list(sizes))) if sizes else st.just(set()))
    options = {axis: data.draw(st.integers(0, sizes[axis] - 1)) for axis in held}
    left = {axis: size for axis, size in sizes.items() if axis not in held}
    at = tuple(options.get(axis, slice(None)) for axis in sizes)
    np.testing.assert_allclose(spread(fixed(tables, options), left), whole[(slice(None), *at)], atol=1e-12)


@settings(deadline=None)
@given(grids())
def test_nothing_lies_below_the_least(drawn):
    """What tables add up to at least bounds every variant from below."""
    sizes, tables = drawn
    assert (everywhere(sizes, tables).reshape(3, -1).min(axis=1) >= least(tables) - 1e-12).all()


def test_single_precision_is_summed_in_double_first():
    """Only the last addition is done in single precision."""
    tables = [Table((axis,), np.array([[0.0, 1e-3 * (axis + 1)]])) for axis in range(8)] + [
        Table((), np.array([1000.0]))
    ]
    sizes = dict.fromkeys(range(8), 2)
    found = spread(tables, sizes, np.float32)
    assert found.dtype == np.float32
    assert np.abs(found / spread(tables, sizes) - 1).max() < 2e-7


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1)])
def test_the_result_has_its_axes_in_the_order_asked_for(order):
    """Sizes name the axes and their order."""
    tables = [Table((0, 2), np.arange(8.0).reshape(1, 2, 4)), Table((1,), np.arange(3.0).reshape(1, 3))]
    sizes = {axis: (2, 3, 4)[axis] for axis in order}
    plain = spread(tables, {0: 2, 1: 3, 2: 4})
    assert (spread(tables, sizes) == plain.transpose(0, *(1 + axis for axis in order))).all()


def test_codes_run_through_the_last_choice_fastest():
    """Places and codes are two names of one variant."""
    sizes = (3, 2, 4)
    codes = codes_of(np.arange(24), sizes)
    assert (np.ravel_multi_index(codes.T, sizes) == np.arange(24)).all()
    assert codes_of([2**40 - 1], [2] * 40).tolist() == [[1] * 40]
