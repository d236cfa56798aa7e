"""The site: whole, without a complaint of Sphinx, and with every public text on it."""

import json
import re
from html.parser import HTMLParser

import nbclient
import nbformat
import pytest

import ebbmap
from ebbmap.caution import CAUTION
from ebbmap.files.policy.schema import PolicyFile
from ebbmap.files.protocol.schema import ProtocolFile
from ebbmap.files.study.schema import StudyFile
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.site.blocks import PYTHON, SOURCES, blocks_of
from ebbmap.site.build import build_site, write_sources
from ebbmap.site.notebooks import NAME, PAGE, notebook_of
from ebbmap.site.reference import plain
from ebbmap.validation import FINDINGS, SUBJECTS

#: Addresses on the site that are not its own: the theme names its source in the foot.
FOREIGN = {"https://github.com/pradyunsg/furo"}


class Links(HTMLParser):
    """Every address of a page, and every id on it."""

    def __init__(self, text):
        super().__init__()
        self.links, self.ids = [], set()
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.links += [given[name] for name in ("href", "src") if given.get(name)]
        self.ids |= {given["id"]} if "id" in given else set()


@pytest.fixture(scope="module")
def sources(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sources")
    write_sources(folder)
    return folder


def text_of(folder, name):
    return (folder / f"{name}.md").read_text(encoding="utf-8")


def test_every_entry_of_the_registries_stands_on_its_page(sources):
    for page, registry in (
        ("parameters", PARAMETERS),
        ("outcomes", OUTCOMES),
        ("limits", LIMIT_SETS),
        ("populations", POPULATIONS),
    ):
        text = text_of(sources, f"reference/{page}")
        assert {name for name in registry if f"`{name}`" not in text} == set()
    # a population's numbers have their grade and their source beside them
    text = text_of(sources, "reference/populations")
    for group in POPULATIONS.values():
        for number in group.known.numbers if group.known else ():
            assert f"| {number.confirmed} | {plain(number.source)} |" in text
    findings = text_of(sources, "reference/findings")
    # two lines of each table are its heads
    assert findings.count("\n| ") - 2 * len(SUBJECTS) == len(FINDINGS)


@pytest.mark.parametrize(
    ("page", "file"),
    [("study_keys", StudyFile), ("protocol_keys", ProtocolFile), ("policy_keys", PolicyFile)],
)
def test_every_key_of_a_file_stands_on_its_page(sources, page, file):
    text = text_of(sources, f"reference/{page}")
    schema = file.model_json_schema()
    for part in (schema, *schema.get("$defs", {}).values()):
        for key, entry in part.get("properties", {}).items():
            assert f"| `{key}` |" in text
            if said := entry.get("description", ""):
                first = re.escape(said.partition("\n")[0][:12].strip("`"))
                assert re.search(first.replace(r"\ ", r"\s"), text.replace("\\", "")), said


def test_the_notebook_holds_the_pages_python():
    made = notebook_of(SOURCES / PAGE)
    cells = [cell["source"] for cell in made["cells"] if cell["cell_type"] == "code"]
    wanted = [b.text.strip("\n") for b in blocks_of(SOURCES / PAGE) if b.language == PYTHON]
    assert cells == wanted
    assert not any("{doc}" in cell["source"] for cell in made["cells"])
    nbformat.validate(nbformat.from_dict(made))
    assert made == notebook_of(SOURCES / PAGE)


@pytest.mark.slow
def test_the_notebook_runs(tmp_path):
    made = nbformat.from_dict(notebook_of(SOURCES / PAGE))
    client = nbclient.NotebookClient(
        made, timeout=300, resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute()
    shown = [
        output["data"]
        for cell in made.cells
        for output in cell.get("outputs", ())
        if output.output_type == "execute_result"
    ]
    assert any("text/html" in data and CAUTION in data["text/html"] for data in shown)


@pytest.mark.slow
def test_the_site_builds_without_a_complaint_and_links_to_what_is_there(tmp_path):
    assert build_site(tmp_path) == []
    pages = {path: Links(path.read_text(encoding="utf-8")) for path in tmp_path.rglob("*.html")}
    ids = pages[tmp_path / "reference" / "api.html"].ids
    public = [name for name in ebbmap.__all__ if name != "__version__"]
    assert {name for name in public if f"ebbmap.{name}" not in ids} == set()
    for path, page in pages.items():
        text = path.read_text(encoding="utf-8")
        assert CAUTION in text, path.name
        for link in page.links:
            address, _, place = link.partition("#")
            address = address.partition("?")[0]
            if re.match(r"https?:", address):
                assert address in FOREIGN, link
            elif address and not address.startswith(("data:", "mailto:")):
                target = (path.parent / address).resolve()
                assert target.exists(), f"{path.name}: {link}"
                if place and target in pages:
                    assert place in pages[target].ids, f"{path.name}: {link}"
    assert json.loads((tmp_path / NAME).read_text(encoding="utf-8"))["nbformat"] == 4
