"""All client pages of a quarter in one run: each whole, nothing of ours or of another client in any file."""

from __future__ import annotations

import base64
import html
import re
import shutil
import subprocess
import zlib
from importlib import resources
from pathlib import Path

import pandas as pd
import pytest

import plantstats
from plantstats import cli, quarterly, simulate
from plantstats.reporting import publish
from plantstats.reporting.errors import ReportError
from tests.builders.html_page import Reading

QUARTER = "2026-Q3"
OURS = [
    "margin",
    "wage",
    "withheld",
    "not available",
    "95%",
    "SHA-256",
    "Warning",
    "Traceback",
    "technician",
    "Quillfeather",
]
FONTS = (b"\x00\x01\x00\x00", b"OTTO", b"true")  # first bytes of TrueType and OpenType
# Costs, wages and charges that can be told by their digits.
MONEY = {"wage_per_hour": "43.21", "visit_cost": "76.54", "plant_cost": "987.65"}


def named_company(folder: Path, seed: int) -> Path:
    """An invented company whose every id, name and cost can be told from all other text."""
    simulate.make(folder, 60, 1.0, seed)
    tables = {path.stem: pd.read_csv(path, dtype="str") for path in folder.glob("*.csv")}
    sites = tables["sites"]
    tables["sites"] = sites.assign(
        site_name="House " + sites["site_id"],
        client_name="Owner " + sites["client_id"],
        address="Lane of " + sites["site_id"],
    )
    tables["plants"]["room"] = "Room of " + tables["plants"]["site_id"]
    tables["visits"]["technician"] = "Quillfeather " + tables["visits"]["technician"]
    tables["replacements"]["plant_cost"] = MONEY["plant_cost"]
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False)
    settings = (folder / "records.toml").read_text(encoding="utf-8")
    for key in ("wage_per_hour", "visit_cost"):
        settings = re.sub(rf"(?m)^{key} = .*$", f"{key} = {MONEY[key]}", settings)
    (folder / "records.toml").write_text(settings, encoding="utf-8")
    return folder


# Of its three clients one has two sites and one has no plant left: every kind of client page.
@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = named_company(tmp_path_factory.mktemp("records") / "company", 7)
    assert sorted(pd.read_csv(folder / "sites.csv")["client_id"].value_counts()) == [1, 1, 2]
    return folder


@pytest.fixture(scope="module")
def pack(company: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    report = quarterly.review_clients(company, QUARTER, None, tmp_path_factory.mktemp("reports"))
    assert report.missing == {}
    return report.folder


def everything_in_page(path: Path) -> str:
    """The whole file as text, and what its images hold; the style sheet, the same on every page, is left out."""
    style = resources.files("plantstats.reporting").joinpath("page.css").read_text(encoding="utf-8")
    content = path.read_text(encoding="utf-8").replace(style, "")
    images = re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', content)
    return html.unescape("\n".join([content, *(base64.b64decode(one).decode() for one in images)]))


def everything_in_pdf(path: Path) -> str:
    """Text of a PDF as a reader sees it, and all that its streams (but fonts) and its description hold."""
    content = path.read_bytes()
    streams = []
    for found in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", content, re.DOTALL):
        try:
            streams.append(zlib.decompress(found[1]))
        except zlib.error:
            streams.append(found[1])
    shown = [one for one in streams if not one.startswith(FONTS)]
    plain = re.sub(rb"stream\r?\n.*?endstream", b"", content, flags=re.DOTALL)
    raw = b"\n".join([plain, *shown]).decode("latin-1")
    # Letters are drawn by their numbers in the font, at places that are numbers too: this reader turns them back.
    seen = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True).stdout.decode()
    return re.sub(r"\d+\.\d+", "", raw) + "\n" + seen


def foreign_words(company: Path, client: str) -> set[str]:
    sites = pd.read_csv(company / "sites.csv", dtype="str")
    plants = pd.read_csv(company / "plants.csv", dtype="str")
    others = sites[sites["client_id"].ne(client)]
    theirs = plants[plants["site_id"].isin(others["site_id"])]
    return set(others["client_id"]) | set(others["site_id"]) | set(theirs["plant_id"])


def leaks(text: str, company: Path, client: str) -> set[str]:
    """Of others, of ours and of this machine, all that stands in a text."""
    found = set(re.findall(r"[A-Za-z0-9_-]+", text)) & foreign_words(company, client)
    found |= {
        word for word in (*OURS, *MONEY, *MONEY.values()) if re.search(rf"(?i)(?<!\w){re.escape(word)}(?!\w)", text)
    }
    return found | ({str(company.parent)} if str(company.parent) in text else set())


def test_no_page_of_any_client_holds_anything_of_another_or_of_ours(company, pack):
    sites = pd.read_csv(company / "sites.csv", dtype="str")
    for client in sorted(set(sites["client_id"])):
        text = everything_in_page(pack / f"{client}.html")
        assert f"Owner {client}" in text
        assert leaks(text, company, client) == set(), client


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_no_pdf_of_any_client_holds_anything_of_another_or_of_ours(company, pack):
    pytest.importorskip("weasyprint", exc_type=(ImportError, OSError))
    sites = pd.read_csv(company / "sites.csv", dtype="str")
    for client in sorted(set(sites["client_id"])):
        text = everything_in_pdf(pack / f"{client}.pdf")
        assert f"Owner {client}" in re.sub(r"\s+", " ", text)
        assert leaks(text, company, client) == set(), client


def test_the_search_for_leaks_sees_one(company, pack):
    sites = pd.read_csv(company / "sites.csv", dtype="str")
    one, other = sorted(set(sites["client_id"]))[:2]
    assert leaks(everything_in_page(pack / f"{other}.html"), company, one)
    assert leaks("Cost: 987.65", company, one) == {"987.65"}
    if shutil.which("pdftotext") and (pack / f"{other}.pdf").exists():
        assert leaks(everything_in_pdf(pack / f"{other}.pdf"), company, one)


def test_each_client_has_a_page_and_the_list_leads_to_it_and_no_file_is_a_workbook(company, pack):
    clients = sorted(set(pd.read_csv(company / "sites.csv", dtype="str")["client_id"]))
    read = Reading((pack / "index.html").read_text(encoding="utf-8"))
    assert read.faults == []
    led = {given["href"] for tag, given in read.tags if tag == "a" and given["href"].endswith(".html")}
    assert led == {f"{client}.html" for client in clients}
    assert {path.name for path in pack.glob("*.html")} == led | {"index.html"}
    assert {path.suffix for path in pack.iterdir()} <= {".html", ".pdf", ".json"}
    # Each stands alone: nothing leads from a client's page to the list of all.
    for client in clients:
        alone = Reading((pack / f"{client}.html").read_text(encoding="utf-8"))
        assert alone.faults == []
        assert not [given["href"] for tag, given in alone.tags if tag == "a" and not given["href"].startswith("#")]


def test_a_client_without_a_plant_in_place_has_a_page_that_says_so(company, pack):
    clients = set(pd.read_csv(company / "sites.csv", dtype="str")["client_id"])
    without = clients - set(plantstats.study(company, QUARTER).standing()["client_id"])
    assert without and without < clients
    for client in without:
        text = Reading((pack / f"{client}.html").read_text(encoding="utf-8")).text
        assert "no plant in place" in text
        assert "plants stand" not in text
        assert "good condition" not in text


def test_a_client_gets_the_same_page_alone_and_among_all(company, pack, tmp_path):
    client = sorted(set(pd.read_csv(company / "sites.csv", dtype="str")["client_id"]))[0]
    alone = quarterly.review(company, QUARTER, client, None, tmp_path).folder
    assert (alone / "client.html").read_text(encoding="utf-8") == (pack / f"{client}.html").read_text(encoding="utf-8")


def test_pages_are_made_again_only_when_something_changed(company, pack):
    report = quarterly.review_clients(company, QUARTER, None, pack.parent)
    assert "nothing has changed" in report.remarks[0]
    assert report.folder == pack


def test_one_client_that_fails_is_named_and_does_not_stop_the_others(company, tmp_path, monkeypatch, capsys):
    folder = company
    clients = sorted(set(pd.read_csv(folder / "sites.csv", dtype="str")["client_id"]))
    template = tmp_path / "client.ipynb"
    text = quarterly.notebook_path("client").read_text(encoding="utf-8")
    fails = f'assert client != \\"{clients[1]}\\", \\"no page today\\"\\n'
    template.write_text(
        text.replace('"import plantstats\\n"', f'"{fails}",\n    "import plantstats\\n"'), encoding="utf-8"
    )
    assert fails in template.read_text(encoding="utf-8")
    monkeypatch.setattr(quarterly, "notebook_path", lambda _name: template)
    out = tmp_path / "reports"
    code = cli.main(["review", str(folder), "--quarter", QUARTER, "--every-client", "--out", str(out)])
    said = capsys.readouterr()
    assert code == 1
    assert f"no page of client {clients[1]}" in said.err
    assert "no page today" in said.err
    pack = out / f"{QUARTER}--clients"
    assert {p.stem for p in pack.glob("*.html")} == {"index", *clients} - {clients[1]}
    index = Reading((pack / "index.html").read_text(encoding="utf-8")).text
    assert "1 page could not be made" in index
    assert "no page today" in index
    # The fault may be gone next time: the pages are made again.
    assert publish.record(pack)["made_from"] is None


def test_a_notebook_that_lacks_a_parameter_is_refused_before_any_page(company, tmp_path, monkeypatch):
    template = tmp_path / "client.ipynb"
    text = quarterly.notebook_path("client").read_text(encoding="utf-8")
    template.write_text(text.replace('"as_of = ', '"until = '), encoding="utf-8")
    monkeypatch.setattr(quarterly, "notebook_path", lambda _name: template)
    with pytest.raises(ReportError, match="unknown parameter as_of"):
        quarterly.review_clients(company, QUARTER, None, tmp_path / "reports")


def test_one_client_and_every_client_cannot_be_asked_for_at_once(tmp_path):
    with pytest.raises(SystemExit) as stopped:
        cli.main(["review", str(tmp_path), "--client", "C0001", "--every-client"])
    assert stopped.value.code == 2
