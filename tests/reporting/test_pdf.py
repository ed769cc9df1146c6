"""A page becomes a tagged PDF; where the library of the system is missing, that is said and nothing ends."""

from __future__ import annotations

import pytest

from plantstats.reporting import pdf

PAGE = (
    '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Losses</title></head>'
    '<body><main><h1>Losses</h1><p>13 plants lost.</p><img alt="none" src="http://127.0.0.1:9/x.png"></main></body></html>'
)


@pytest.fixture
def page(tmp_path):
    path = tmp_path / "page.html"
    path.write_text(PAGE, encoding="utf-8")
    return path


def test_a_page_becomes_the_same_tagged_pdf_twice(page, tmp_path):
    pytest.importorskip("weasyprint", exc_type=(ImportError, OSError))
    for name in ("a.pdf", "b.pdf"):
        assert pdf.write(page, tmp_path / name) == ""
    content = (tmp_path / "a.pdf").read_bytes()
    assert content == (tmp_path / "b.pdf").read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/MarkInfo" in content or b"StructTreeRoot" in content or b"ObjStm" in content


def test_a_missing_library_is_said_with_how_to_get_it(page, tmp_path, monkeypatch):
    monkeypatch.setattr(pdf, "HTML", None)
    said = pdf.write(page, tmp_path / "a.pdf")
    assert "Pango" in said
    assert "apt install" in said
    assert not (tmp_path / "a.pdf").exists()
