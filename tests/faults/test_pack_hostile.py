"""Zips made to harm whoever opens them are refused before anything is written outside."""

import stat
import zipfile

import pytest

from baytrace.measure.faults import BadInput
from baytrace.records import limits
from baytrace.records.bag import SEAL_WORDS, seal
from baytrace.records.verifying import verify_pack


def sealed(path, entries, **options):
    """A zip with a good seal, whatever it holds."""
    with zipfile.ZipFile(path, "w", **options) as archive:
        for name, content in entries:
            archive.writestr(name, content)
        archive.comment = SEAL_WORDS + b"0" * 64
    seal(path)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "../outside.txt",
        "/etc/outside",
        "top/../../outside.txt",
        "top//x",
        "C:/outside",
        "top\\..\\..\\x",
        "top/.hidden",
        "top/a b",
        "top/\u202etxt",
        "top/",
    ],
)
def test_names_that_lead_elsewhere_are_refused(tmp_path, name):
    """Nothing is written, and the name is told."""
    report = verify_pack(sealed(tmp_path / "p.zip", [("top/bagit.txt", b"x"), (name, b"x")]))
    assert not report.good
    assert "name that no pack has" in report.summary()
    assert {path.name for path in tmp_path.iterdir()} == {"p.zip"}


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("second", ["top/a.txt", "top/A.txt"])
def test_a_name_that_comes_twice_is_refused(tmp_path, second):
    """Also where only the case differs."""
    report = verify_pack(sealed(tmp_path / "p.zip", [("top/a.txt", b"1"), (second, b"2")]))
    assert "twice" in report.summary()


def test_a_file_that_is_also_a_directory_is_refused(tmp_path):
    """Unpacking it cannot be made sense of."""
    assert (
        "as file and as directory"
        in verify_pack(sealed(tmp_path / "p.zip", [("top/a", b"1"), ("top/a/b", b"2")])).summary()
    )


def test_links_are_refused(tmp_path):
    """A symbolic link in the zip, and one in a directory."""
    link = zipfile.ZipInfo("top/link")
    link.create_system, link.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    assert "link or device" in verify_pack(sealed(tmp_path / "p.zip", [(link, b"/etc/passwd")])).summary()
    folder = tmp_path / "bag"
    folder.mkdir()
    (folder / "bagit.txt").write_text("x")
    (folder / "link").symlink_to("/etc/passwd")
    assert "link or device" in verify_pack(folder).summary()


def test_too_many_files_are_refused(tmp_path):
    """Before any is opened; the directory of a zip has a bound of its own, which is held before it is read."""
    many = sealed(tmp_path / "m.zip", [(f"top/{n}", b"") for n in range(limits.MOST_ENTRIES + 1)])
    assert "a pack holds a dozen" in verify_pack(many).summary()
    more = sealed(tmp_path / "n.zip", [(f"top/{n}", b"") for n in range(5000)])
    assert "a pack holds a dozen" in verify_pack(more).summary()


def test_a_lie_about_the_size_is_found(tmp_path):
    """An entry that unpacks to another length than it says is refused."""
    path = sealed(tmp_path / "p.zip", [("top/bagit.txt", b"x" * 500)], compression=zipfile.ZIP_DEFLATED)
    data = bytearray(path.read_bytes())
    central = data.index(b"PK\x01\x02")
    data[central + 24 : central + 28] = (10).to_bytes(4, "little")
    path.write_bytes(data)
    seal(path)
    report = verify_pack(path)
    assert any("damaged" in check.text or "says" in check.text for check in report.faults)


def test_encrypted_and_oddly_packed_entries_are_refused(tmp_path):
    """A pack has neither."""
    assert (
        "compressed in a way"
        in verify_pack(sealed(tmp_path / "z.zip", [("top/a", b"x" * 99)], compression=zipfile.ZIP_LZMA)).summary()
    )
    path = sealed(tmp_path / "e.zip", [("top/a", b"x")])
    data = bytearray(path.read_bytes())
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(signature) + offset] |= 1
    path.write_bytes(data)
    seal(path)
    assert "encrypted" in verify_pack(path).summary()


@pytest.mark.parametrize("content", [b"", b"PK", b"not a zip at all" * 50, b"\0" * 1000])
def test_what_is_no_zip_is_told(tmp_path, content):
    """One line, no traceback."""
    path = tmp_path / "p.zip"
    path.write_bytes(content)
    assert not verify_pack(path).good


def test_what_is_not_there_is_bad_input(tmp_path):
    """A missing file, and a directory without a pack."""
    with pytest.raises(BadInput, match="no such file"):
        verify_pack(tmp_path / "none.zip")
    with pytest.raises(BadInput, match="no trace pack"):
        verify_pack(tmp_path)


def test_more_than_one_directory_is_refused(tmp_path):
    """A serialized bag has one top directory (RFC 8493, 4)."""
    assert "exactly one directory" in verify_pack(sealed(tmp_path / "p.zip", [("a/x", b""), ("b/x", b"")])).summary()
