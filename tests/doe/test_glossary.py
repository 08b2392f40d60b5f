from __future__ import annotations

import pytest

from doe.errors import DoeError
from doe.glossary import explain, glossary

WORDS = glossary()


@pytest.mark.parametrize("entry", WORDS.values(), ids=list(WORDS))
def test_every_word_leads_on_to_words_that_are_there(entry):
    assert entry.text.endswith(".")
    assert entry.see
    assert set(entry.see) <= set(WORDS) - {entry.word}


@pytest.mark.parametrize("word", ["Assurance", "assurances", "WORKING-REGION", "t8/5", " best  setting "])
def test_case_hyphens_and_a_plural_do_not_matter(word):
    assert explain(word).text


@pytest.mark.parametrize(("word", "near"), [("band", "confidence band"), ("asurance", "assurance")])
def test_an_unknown_word_is_refused_with_its_neighbours(word, near):
    with pytest.raises(DoeError, match=near):
        explain(word)
