"""The passphrase of a locked bundle: the same from two keyboards and files, and old bundles still open."""

import os
import unicodedata

import pytest

from cabapp.__main__ import main
from store.errors import BundleRefused
from store.models import Tap
from sync import export_bundle, merge_bundles
from sync.bundle_encryption import HEAD, NONCE, SALT, Passphrase, _cipher, decrypted, encrypt, read_passphrase
from sync.bundle_export import bundle_name
from sync.folder_exchange import FolderWatcher

# RFC 8265, section 4.3, table 3, examples 12 to 16 (numbers from memory), the passwords that the profile OpaqueString takes; ours
# wants eight letters besides, so that the third is written twice
TAKEN = [
    ("correct horse battery staple", "correct horse battery staple"),
    ("Correct Horse Battery Staple", "Correct Horse Battery Staple"),
    ("πßåπßåπßå", "πßåπßåπßå"),
    ("Jack of ♦s", "Jack of ♦s"),
    ("foo\u1680bar baz", "foo bar baz"),
]


@pytest.mark.parametrize("given", [*(given for given, _ in TAKEN), "zwölf Böcke", "naïve na\u0131ve ﬁlm", "tab\there and on", "x\u00a0y z w v u",
                                   "un\u200bseen signs", "bell\a bell bell", "한국어 비밀 문구 하나", "Ａ Ｂ Ｃ Ｄ Ｅ", "e\u0301e\u0301e\u0301e\u0301e\u0301e\u0301e\u0301e\u0301"])  # fmt: skip
def test_it_is_the_profile_as_a_general_library_has_it(given):
    """The library precis-i18n prepares and refuses as we do, by the profile OpaqueString of RFC 8265."""
    profile = pytest.importorskip("precis_i18n", reason="pip install precis-i18n").get_profile("OpaqueString")
    try:
        theirs = profile.enforce(given)
    except UnicodeEncodeError:
        theirs = None
    try:
        ours = str(Passphrase(given))
    except BundleRefused:
        ours = None
    assert ours == theirs


@pytest.mark.parametrize(("given", "prepared"), TAKEN)
def test_what_the_profile_takes(given, prepared):
    """Case is kept, letters and symbols of any script are taken, and any space is an ordinary one."""
    assert Passphrase(given) == prepared


@pytest.mark.parametrize(
    "given", ["", "       ", "my cat is a \tby", "sieben!", "zwei\nZeilen", "un\u200bseen signs", "a\0bcdefghi"]
)
def test_what_is_refused(given):
    """Nothing, too little, control signs (examples 17 and 18 there) and signs that cannot be seen are refused in a sentence."""
    with pytest.raises(BundleRefused, match="passphrase"):
        Passphrase(given)


def test_composed_and_decomposed_letters_are_the_same():
    """What a keyboard gives as one sign or as letter and accent is one passphrase; full-width signs stay what they are."""
    word = "Über dem Hof, ånd ñandú"
    assert Passphrase(unicodedata.normalize("NFD", word)) == Passphrase(word) == unicodedata.normalize("NFC", word)
    assert Passphrase("ＡＢＣＤＥＦＧＨ") != Passphrase("ABCDEFGH")


FILES = {
    "plain": b"four ordinary w\xc3\xb6rds",
    "line end of Windows": b"four ordinary w\xc3\xb6rds\r\n",
    "mark at its head": b"\xef\xbb\xbffour ordinary w\xc3\xb6rds\n",
    "decomposed": b"four ordinary wo\xcc\x88rds\n",
    "UTF-16": "four ordinary wörds\r\n".encode("utf-16"),
}


@pytest.mark.parametrize("data", FILES.values(), ids=FILES.keys())
def test_text_files_of_any_editor_give_one_passphrase(tmp_path, data):
    """Mark, line end, form of the letters and encoding do not matter."""
    (tmp_path / "words.txt").write_bytes(data)
    assert read_passphrase(tmp_path / "words.txt") == "four ordinary wörds"


def test_a_bundle_locked_in_one_form_opens_in_another(copies, tmp_path, work):
    """Locked in the office from a file, opened in the cab by typing, and the other way round."""
    cab, office, _ = copies
    work(cab, "Ada")
    (tmp_path / "words.txt").write_bytes(FILES["mark at its head"])
    words = ["--passphrase-file", str(tmp_path / "words.txt")]
    assert main(["export", str(tmp_path / "out"), "--store", str(cab.path), *words]) == 0
    result = merge_bundles(
        office, [tmp_path / "out"], passphrase=Passphrase(unicodedata.normalize("NFD", "four ordinary wörds"))
    )
    assert result.refused == [] and result.added
    path = export_bundle(office, tmp_path / "back", Passphrase("four ordinary wörds"))
    assert merge_bundles(cab, [path], passphrase=read_passphrase(tmp_path / "words.txt")).refused == []


@pytest.mark.parametrize("form", [*FILES.values()][:-1], ids=[*FILES][:-1])  # it read no UTF-16
@pytest.mark.parametrize("given", [*FILES.values()], ids=[*FILES])
def test_bundles_of_the_program_before_open(tmp_path, form, given):
    """That program took the text of the file as it stood, but for blanks at its ends: each such bundle opens with every form
    of the same words."""
    before = form.decode("utf-8").strip()
    salt, nonce = os.urandom(SALT), os.urandom(NONCE)
    (tmp_path / "x.locked").write_bytes(HEAD + salt + nonce + _cipher(before, salt).encrypt(nonce, b"content", HEAD))
    (tmp_path / "words.txt").write_bytes(given)
    with decrypted(tmp_path / "x.locked", read_passphrase(tmp_path / "words.txt")) as opened:
        assert opened.read() == b"content"


def test_a_wrong_one_and_a_short_one_are_sentences(tmp_path):
    """The wrong words do not open it; too few are said, whoever asks."""
    (tmp_path / "x.locked").write_bytes(encrypt(b"content", "four ordinary words"))
    for wrong in ("four ordinary word", "short", "four ordinary words "[::-1]):
        with pytest.raises(BundleRefused, match="is not the one"):
            decrypted(tmp_path / "x.locked", wrong)
    with pytest.raises(BundleRefused, match="eight letters"):
        encrypt(b"content", "short")


def test_what_lies_unlocked_is_written_locked_too(copies, tmp_path, work, rows_of):
    """A passphrase that is set later: all is written once more, locked, and what lies there unlocked can go."""
    cab, office, _ = copies
    work(cab, "Ada")
    (tmp_path / "shared").mkdir()
    words = Passphrase("four ordinary words")
    for passphrase in (None, words):
        watch = FolderWatcher(cab, [tmp_path / "shared"], None, passphrase)
        for _ in range(3):
            watch.look()
        assert watch.look() == []
    watch.remove_unlocked(tmp_path / "shared")
    files = [path for path in (tmp_path / "shared").rglob("*") if path.is_file()]
    assert files and {path.suffix for path in files} == {".locked"}
    watch = FolderWatcher(office, [tmp_path / "shared"], None, words)
    news = [one for _ in range(3) for one in watch.look()]
    assert any(one.merged.added for one in news) and not any(one.merged.refused for one in news)
    assert merge_bundles(office, [tmp_path / "shared"], passphrase=words).refused == []
    assert rows_of(office)["tap"] == rows_of(cab)["tap"]


def test_a_passphrase_used_once_locks_nobody_out(copies, tmp_path, work, monkeypatch, capsys):
    """Without the passphrase again: unlocked files are taken, ours are written unlocked, and our own locked ones are no fault."""
    monkeypatch.setattr("cabapp.commands.copies.exchange.PAUSE_S", 0.0)
    cab, office, third = copies
    shared, words = tmp_path / "shared", tmp_path / "words.txt"
    shared.mkdir()
    words.write_text("four ordinary words")
    work(cab, "Ada")
    work(office, "Bea")

    def exchange(store, *more):
        status = main(["exchange", str(shared), "--store", str(store.path), *more])
        return status, "".join(capsys.readouterr())

    locked = ["--passphrase-file", str(words)]
    assert exchange(office, *locked)[0] == 0
    assert exchange(cab)[0] == 1, "what the office locked cannot be read"
    work(office, "Cyd")
    status, said = exchange(office)
    assert status == 0 and "taken in" in said and "Our records written" in said, said
    status, said = exchange(office)
    assert status == 0 and said == f"Nothing new in {shared}.\n"
    status, said = exchange(third)
    assert len(third.all(Tap)) == 3, "all that is unlocked is taken"
    assert status == 1 and "--passphrase-file" in said and bundle_stem(office) in said, said


def bundle_stem(store):
    return bundle_name(store, True).split(".")[0]


@pytest.mark.parametrize("by_hand", [False, True])
def test_what_came_locked_is_not_passed_on_unlocked(copies, tmp_path, work, rows_of, by_hand):
    """Run once without the passphrase, a copy writes its own records unlocked, and leaves those of others locked as they lie."""
    cab, office, third = copies
    words, shared, stick = Passphrase("four ordinary words"), tmp_path / "shared", tmp_path / "stick"
    work(cab, "Ada")
    work(office, "Bea")
    for folder in (shared, stick):
        folder.mkdir()

    def look(store, folder, passphrase=None):
        for _ in range(3):
            for news in FolderWatcher(store, [folder], None, passphrase).look():
                assert news.trouble is None

    look(cab, shared, words)
    if by_hand:
        assert merge_bundles(office, [export_bundle(cab, tmp_path / "out", words)], passphrase=words).refused == []
    else:
        look(office, shared, words)
    assert rows_of(office)["tap"] != [] and len(office.all(Tap)) == 2
    before = {path: path.read_bytes() for path in shared.rglob("*.locked")}
    for folder in (shared, stick):
        look(office, folder)
        unlocked = {path.parent.name for path in folder.rglob("*.rbs")}
        assert office.device in unlocked and cab.device not in unlocked
    assert {path: path.read_bytes() for path in shared.rglob("*.locked")} == before
    look(office, stick, words)
    look(third, stick, words)
    assert len(third.all(Tap)) == 2 and merge_bundles(third, [stick], passphrase=words).refused == []


def test_what_a_copy_wrote_unlocked_is_replaced_by_the_locked(copies, tmp_path, work):
    """At the first exchange with a passphrase, whenever that is and by whatever program: nothing of ours lies there unlocked."""
    cab, office, _ = copies
    work(cab, "Ada")
    for store, words in ((cab, None), (office, None), (cab, Passphrase("four ordinary words"))):
        for _ in range(2):
            FolderWatcher(store, [tmp_path], None, words).look()
    mine = [
        path for path in tmp_path.rglob("*") if cab.device[:8] in f"{path.parent.name} {path.name}" and path.is_file()
    ]
    assert mine and {path.suffix for path in mine} == {".locked"}
    assert any(path.suffix == ".head" for path in tmp_path.iterdir()), "another's are left"


def test_wrong_words_leave_no_full_copy_each(copies, tmp_path, work):
    """Tried four times with four wrong passphrases, there are only our own records on the stick, once; and all of it with
    the right one."""
    cab, office, _third = copies
    stick, right = tmp_path / "stick", Passphrase("four ordinary words")
    stick.mkdir()
    work(cab, "Ada")
    work(office, "Bea")

    def look(store, words):
        watch = FolderWatcher(store, [stick], None, words)
        return [str(said) for _ in range(2) for news in watch.look() for said in news.messages]

    look(cab, right)
    theirs = set(stick.rglob("*.locked"))
    for n in range(4):
        assert any("passphrase" in said for said in look(office, Passphrase(f"four wrong words {n}")))
        ours = [path for path in stick.rglob("*.rbs.locked") if path not in theirs]
        assert {path.parent.name for path in ours} == {office.device} and len(ours) == 1
    look(office, right)
    look(cab, right)
    assert len(cab.all(Tap)) == len(office.all(Tap)) == 2
    assert not any("passphrase" in said for said in look(cab, right))
