"""Takes the two pictures of the review page that the README shows.

Run ``python -m tests.review.pictures``; it hears the flawed sample, then works on the page as a
learner and an instructor would. Needs Chromium, Playwright and Pillow.
"""

from __future__ import annotations

import io
import shutil
import tempfile
from pathlib import Path

from PIL import Image

from dictate.conversion import convert
from tests.conftest import ROOT
from tests.review.browser import TABLET, chromium, opened
from tests.review.conftest import Page, running, usual

PICTURES = Path(__file__).resolve().parent / "pictures"


def main() -> None:
    """Write ``worklist.png`` (light, desktop) and ``signed.png`` (dark, tablet)."""
    with tempfile.TemporaryDirectory() as made:
        sound = Path(made) / "flawed.flac"
        shutil.copy(ROOT / "sample_audio" / "flawed.flac", sound)
        folder = Path(made) / "flawed.session"
        convert(sound, usual().catalogue, folder, learner="ln-04", consent="partner, in writing")
        with running(folder) as page, chromium() as browser:
            with opened(browser, page) as tab:
                tab.wait_for_selector("body[data-wave=drawn]")
                tab.keyboard.press("n")
                tab.keyboard.press("n")
                tab.wait_for_function("() => !document.querySelector('#sound').paused")
                tab.wait_for_function("() => document.querySelector('#sound').paused")
                _keep(tab.screenshot(), "worklist.png")
            page.enter()
            _work(page)
            with opened(browser, page, "dark", TABLET) as tab:
                tab.wait_for_selector("body[data-wave=drawn]")
                tab.click("#tab-record")
                tab.wait_for_timeout(300)
                _keep(tab.screenshot(), "signed.png")


def _work(page: Page) -> None:
    session = page.shelf.session(page.key)
    for finding in [one for one in session.session.findings if one.stands and one.doubtful]:
        if finding.item == "vitals.respiratory_rate":
            page.do("change", finding=finding.id, typed={"number": "16"}, text="heard again: 16")
        elif finding.item == "mouth.tonsils":
            page.do("change", finding=finding.id, typed={"number": "2"}, text="misspoken")
        else:
            page.do("accept", finding=finding.id)
    page.do("sign", text="Compared with the recording.")
    page.be("in-1", "instructor")
    page.do("comment", text="Both arms, please.", seconds=12)
    page.do("sign", text="Good order from the head down; say the side each time.")


def _keep(shot: bytes, name: str) -> None:
    PICTURES.mkdir(exist_ok=True)
    picture = Image.open(io.BytesIO(shot)).convert("RGB")
    # The commonest colours are kept as they are, the rest takes the nearest of them.
    counted = sorted(picture.getcolors(1 << 20) or [], reverse=True)[:256]
    palette = Image.new("P", (1, 1))
    palette.putpalette([part for _, colour in counted for part in colour])  # type: ignore[misc]
    few = picture.quantize(palette=palette, dither=Image.Dither.NONE)
    few.save(PICTURES / name, optimize=True)
    print(f"{name}: {(PICTURES / name).stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
