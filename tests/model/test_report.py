"""What a report knows of itself."""

from dataclasses import replace

from tests.report import factory


def test_an_entry_of_what_to_look_at_first_is_about_the_finding_whose_sentence_it_begins_with():
    report, turned = factory.failing(), factory.TURNED_WRONG
    assert report.lead(turned.sentence) == turned
    assert report.lead(f"{turned.sentence} Unproven for the same reason: 1 more.") == turned
    assert report.lead("something else") is None


def test_of_two_sentences_that_begin_alike_the_longer_one_is_meant():
    short = replace(factory.SAG, sentence="it held.")
    long = replace(short, subject="other", sentence="it held. All the time.")
    report = replace(factory.whole(), findings=(short, long))
    assert report.lead("it held. All the time. And more.") == long
    assert report.lead("it held. And more.") == short
