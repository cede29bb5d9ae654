"""Chunks made by another thread: the same, in their order, with what goes wrong in its place."""

import threading

import pytest

from canscope.model import engine


@pytest.fixture(params=[1, 2])
def cores(request, monkeypatch):
    """Kernels that are awake, and one core or two."""
    monkeypatch.setattr(engine, "is_loaded", lambda: True)
    monkeypatch.setattr(engine, "has_second_core", lambda: request.param == 2)
    return request.param


def numbers(makers):
    """Numbers, and which threads made them."""
    for number in range(5):
        makers.append(threading.current_thread())
        yield number


def test_all_chunks_come_in_their_order_and_a_second_core_makes_all_but_the_first(cores):
    makers = []
    assert list(engine.read_ahead(numbers(makers))) == [0, 1, 2, 3, 4]
    own = threading.current_thread()
    assert [maker is own for maker in makers] == [True] + [cores == 1] * 4


def test_nothing_is_made_elsewhere_before_kernels_are_awake(cores, monkeypatch):
    monkeypatch.setattr(engine, "is_loaded", lambda: False)
    makers = []
    assert list(engine.read_ahead(numbers(makers))) == [0, 1, 2, 3, 4]
    assert set(makers) == {threading.current_thread()}


def test_what_goes_wrong_is_raised_behind_the_chunks_before_it(cores):
    def breaking():
        yield from (1, 2, 3)
        raise ValueError("cut short")

    chunks, taken = engine.read_ahead(breaking()), []
    with pytest.raises(ValueError, match="cut short"):
        any(taken.append(chunk) for chunk in chunks)
    assert taken == [1, 2, 3]


def test_whoever_stops_early_leaves_no_thread_behind(cores):
    before = threading.active_count()
    chunks = engine.read_ahead(iter(range(10**9)))
    assert [next(chunks) for _ in range(4)] == [0, 1, 2, 3]
    chunks.close()
    assert threading.active_count() == before


def test_no_chunk_at_all(cores):
    assert list(engine.read_ahead([])) == []
    assert list(engine.read_ahead([7])) == [7]
