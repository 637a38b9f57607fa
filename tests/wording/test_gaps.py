"""Every kind of note of a cycle in words."""

import pytest
from made_notes import ONE_OF_EACH, SAID

from windowwatch.errors import InputError
from windowwatch.forecast import notes as n
from windowwatch.forecast.plausible import _fault_said, _planes_said
from windowwatch.wording.gaps import fault_words, lack_words, note_words, notes_words, planes_words

UNUSED = [
    note.lack
    for note in ONE_OF_EACH
    if isinstance(note, n.AtSteps) and isinstance(note.lack, n.NotUsed)
]


@pytest.mark.parametrize(("note", "words"), SAID, ids=[words[:40] for _, words in SAID])
def test_a_note_is_said(note: n.Note, words: str) -> None:
    assert note_words(note) == words


def test_there_is_one_of_every_kind() -> None:
    lacks = [note.lack for note in ONE_OF_EACH if isinstance(note, n.AtSteps)]
    assert {type(note) for note in ONE_OF_EACH} == set(n.NOTE_KINDS.values())
    assert {type(lack) for lack in lacks} == set(n.LACK_KINDS.values())
    assert {type(lack.why) for lack in UNUSED} == set(n.FAULT_KINDS.values())
    for base, kinds in ((n.Note, n.NOTE_KINDS), (n.Lack, n.LACK_KINDS), (n.Fault, n.FAULT_KINDS)):
        assert set(base.__subclasses__()) == set(kinds.values())


def test_notes_stay_in_order() -> None:
    assert notes_words(ONE_OF_EACH) == tuple(words for _, words in SAID)


@pytest.mark.parametrize("lack", UNUSED, ids=lambda lack: type(lack.why).__name__)
def test_an_error_names_planes_and_what_is_wrong_as_the_page_does(lack: n.NotUsed) -> None:
    assert _planes_said(lack.planes) == planes_words(lack.planes)
    if not isinstance(lack.why, n.OutOfBounds):  # these never refuse a cycle
        assert _fault_said(lack.why) == fault_words(lack.why)


def test_a_kind_without_words_is_an_error_not_silence() -> None:
    with pytest.raises(InputError, match="no words for a note of kind Note"):
        note_words(n.Note())
    with pytest.raises(InputError, match="no words for a lack of kind Lack"):
        lack_words(n.Lack())
    with pytest.raises(InputError, match="no words for a fault of kind Fault"):
        fault_words(n.Fault())
