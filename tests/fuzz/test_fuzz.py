"""A little of the campaign with the tests, so that its command and its targets stay alive."""

import random

import pytest

from tests.fuzz.campaign import Campaign, mutated
from tests.fuzz.targets import TARGETS

CASES = 5  # of each target; the rest is ``python -m tests.fuzz``


@pytest.mark.parametrize("name", TARGETS)
def test_random_input_ends_in_our_own_error_or_in_frames(name, tmp_path):
    campaign, pick = Campaign(name, tmp_path), random.Random(name)
    corpus = [path.read_bytes() for path in sorted(campaign.corpus.iterdir())]
    for _ in range(CASES):
        campaign.one(mutated(pick.choice(corpus), corpus, campaign.target.words, pick))
    campaign.close()
    assert campaign.cases == CASES
    assert campaign.finds == {}
