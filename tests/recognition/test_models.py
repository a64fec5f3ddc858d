"""Models: the list, safe unpacking, fetching from a real local server, checking, removing."""

from __future__ import annotations

import hashlib
import stat
import threading
import zipfile
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.recognition import model_shelf
from dictate.recognition.model_archive import unpack
from dictate.recognition.model_download import fetch
from dictate.recognition.model_manifest import ModelFile, OfferedModel, read_manifest

PARTS = ("am/final.mdl", "graph/HCLr.fst", "graph/Gr.fst", "conf/model.conf")


def archive(path: Path, names: tuple[str, ...] = PARTS, top: str = "small/") -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name in names:
            packed.writestr(top + name, f"content of {name}" * 400)
    return path


class Shop(ThreadingHTTPServer):
    """Serves one body with ranges; can break off once after some bytes."""

    def __init__(self, body: bytes) -> None:
        super().__init__(("127.0.0.1", 0), _Answer)
        self.body, self.etag, self.break_at = body, '"v1"', 0
        self.ranges: list[str | None] = []


class _Answer(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        shop = self.server
        assert isinstance(shop, Shop)
        wanted = self.headers.get("Range")
        shop.ranges.append(wanted)
        if self.path.startswith("/absent"):
            self.send_error(404)
            return
        first = 0
        if wanted and self.headers.get("If-Range") == shop.etag:
            first = int(wanted.removeprefix("bytes=").rstrip("-"))
            self.send_response(206)
            self.send_header(
                "Content-Range", f"bytes {first}-{len(shop.body) - 1}/{len(shop.body)}"
            )
        else:
            self.send_response(200)
        self.send_header("ETag", shop.etag)
        self.send_header("Content-Length", str(len(shop.body) - first))
        self.end_headers()
        last = shop.break_at or len(shop.body)
        shop.break_at = 0
        self.wfile.write(shop.body[first:last])

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    body = archive(tmp_path / "shop.zip").read_bytes()
    server = Shop(body)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join()


def offered(shop: Shop, path: str = "small.zip", body: bytes | None = None) -> OfferedModel:
    file = ModelFile(
        url=f"http://127.0.0.1:{shop.server_address[1]}/{path}",
        bytes=len(shop.body),
        sha256=hashlib.sha256(shop.body if body is None else body).hexdigest(),
    )
    return OfferedModel(
        name="small", engine="vosk", language="en", licence="none", about="test", files=(file,)
    )


def test_the_list_that_comes_with_the_program_is_complete() -> None:
    manifest = read_manifest()
    assert {"vosk", "transformer"} == {model.engine for model in manifest.models}
    for model in manifest.models:
        assert model.licence and all(file.url.startswith("https://") for file in model.files)
    with pytest.raises(UserFault, match="choose one of: vosk-model-small"):
        manifest.named("huge")


def test_fetching_goes_on_where_it_broke_off(shop: Shop, tmp_path: Path) -> None:
    shop.break_at = 100
    model = offered(shop)
    seen: list[int] = []
    with pytest.raises(UserFault, match=r"broke off after .* give the same command again"):
        model_shelf.get(model, tmp_path / "shelf")
    got = model_shelf.get(model, tmp_path / "shelf", lambda _: lambda done, _: seen.append(done))
    assert shop.ranges == [None, "bytes=100-"]
    assert seen[-1] == len(shop.body)
    assert (got.folder / "am/final.mdl").is_file() and got.name == "small"
    assert got.record is not None
    assert got.record.archive_sha256 == hashlib.sha256(shop.body).hexdigest()
    assert not (tmp_path / "shelf/.fetched/small").exists()


def test_a_file_that_changed_meanwhile_is_fetched_from_the_beginning(
    shop: Shop, tmp_path: Path
) -> None:
    shop.break_at = 100
    with pytest.raises(UserFault):
        fetch(offered(shop).files[0], tmp_path)
    shop.etag, shop.body = '"v2"', shop.body[::-1]
    done = fetch(offered(shop).files[0], tmp_path)
    assert done.read_bytes() == shop.body


def test_a_wrong_sum_is_thrown_away(shop: Shop, tmp_path: Path) -> None:
    with pytest.raises(UserFault, match="SHA-256"):
        model_shelf.get(offered(shop, body=b"other"), tmp_path / "shelf")
    assert not list((tmp_path / "shelf").rglob("*.part"))
    assert model_shelf.shelved(tmp_path / "shelf") == []


def test_faults_of_the_server_and_no_server(shop: Shop, tmp_path: Path) -> None:
    with pytest.raises(UserFault, match="answered 404"):
        model_shelf.get(offered(shop, "absent.zip"), tmp_path)
    gone = offered(shop)
    shop.shutdown()
    shop.server_close()
    with pytest.raises(UserFault, match="without a network, fetch it on another machine"):
        model_shelf.get(gone, tmp_path)


def test_an_address_without_a_sum_must_be_https() -> None:
    with pytest.raises(ValueError, match="without sha256"):
        ModelFile(url="http://example.org/a.zip")
    with pytest.raises(ValueError, match="must begin with"):
        ModelFile(url="file:///etc/passwd")


@pytest.mark.parametrize("name", ["../out", "/etc/out", "a/../../out", "..\\out", "C:/out"])
def test_names_that_lead_out_are_refused(tmp_path: Path, name: str) -> None:
    path = archive(tmp_path / "bad.zip", (*PARTS, name), top="")
    with pytest.raises(UserFault, match="leads out"):
        model_shelf.add(path, tmp_path / "shelf")
    assert [entry.name for entry in tmp_path.iterdir()] == ["bad.zip", "shelf"] or not (
        tmp_path / "out"
    ).exists()
    assert list((tmp_path / "shelf").iterdir()) == []


def test_links_and_twins_are_refused(tmp_path: Path) -> None:
    link = zipfile.ZipInfo("am/link")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(tmp_path / "link.zip", "w") as packed:
        packed.writestr(link, "/etc/passwd")
    with pytest.raises(UserFault, match="link or a special file"):
        model_shelf.add(tmp_path / "link.zip", tmp_path / "shelf")
    twins = archive(tmp_path / "twins.zip", ("am/final.mdl", "AM/final.mdl"))
    with pytest.raises(UserFault, match="is there twice"):
        model_shelf.add(twins, tmp_path / "shelf")


def test_bombs_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("zeros", bytes(17 << 20))
    with pytest.raises(UserFault, match="swell"):
        unpack(path, tmp_path)
    with pytest.raises(UserFault, match="more than a model has"):
        unpack(archive(tmp_path / "big.zip"), tmp_path, most_bytes=1000)


def test_no_archive_and_incomplete_models_are_refused(tmp_path: Path) -> None:
    (tmp_path / "text.zip").write_text("no archive")
    with pytest.raises(UserFault, match="no zip archive or is damaged"):
        model_shelf.add(tmp_path / "text.zip", tmp_path / "shelf")
    with pytest.raises(UserFault, match=r"lacks am/final\.mdl"):
        model_shelf.add(archive(tmp_path / "half.zip", PARTS[1:]), tmp_path / "shelf")
    with pytest.raises(UserFault, match="There is no"):
        model_shelf.add(tmp_path / "nothing", tmp_path / "shelf")


def test_adding_a_folder_checking_and_removing_it(tmp_path: Path) -> None:
    source, shelf = tmp_path / "source", tmp_path / "shelf"
    unpack(archive(tmp_path / "small.zip", top=""), _made(source))
    model = model_shelf.add(source, shelf, "mine")
    assert [entry.name for entry in model_shelf.shelved(shelf)] == ["mine"]
    assert model_shelf.newest_for("vosk", shelf) == model.folder
    assert model_shelf.verify(model) == []
    with pytest.raises(UserFault, match="already has 'mine'"):
        model_shelf.add(source, shelf, "mine")
    (model.folder / "am/final.mdl").write_text("other")
    (model.folder / "more").write_text("other")
    assert model_shelf.verify(model) == ["am/final.mdl has changed", "more was not there before"]
    for name in ("../source", "absent", ""):
        with pytest.raises(UserFault):
            model_shelf.remove(name, shelf)
    model_shelf.remove("mine", shelf)
    assert model_shelf.shelved(shelf) == [] and source.is_dir()


def test_a_folder_with_links_is_refused(tmp_path: Path) -> None:
    source = _made(tmp_path / "source")
    unpack(archive(tmp_path / "small.zip", top=""), source)
    (source / "conf/link").symlink_to("/etc/passwd")
    with pytest.raises(UserFault, match="is a link"):
        model_shelf.add(source, tmp_path / "shelf")


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder
