"""The site made whole: pages written by hand, pages made from the registries, then Sphinx."""

from __future__ import annotations

import io
import shutil
import tempfile
import warnings
from pathlib import Path

import ebbmap
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError
from ebbmap.files.writing import make_folder, write_text
from ebbmap.site.api import api_page
from ebbmap.site.blocks import SOURCES
from ebbmap.site.gallery import GALLERY, gallery_page, kept_pictures
from ebbmap.site.keys import key_pages
from ebbmap.site.notebooks import NAME, PAGE, notebook_text
from ebbmap.site.reference import glossary_page, reference_pages

#: What Sphinx is told; nothing on the site is fetched when it is read.
_SETTINGS = {
    "project": "ebbmap",
    "author": "ebbmap developers",
    "project_copyright": "ebbmap developers",
    "extensions": ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"],
    "html_theme": "furo",
    "html_theme_options": {"announcement": CAUTION},
    "html_show_sphinx": False,
    "html_copy_source": False,
    "html_show_sourcelink": False,
    "html_title": "ebbmap",
    "html_last_updated_fmt": None,
    "language": "en",
    "napoleon_google_docstring": False,
    "autodoc_typehints": "none",
    "autodoc_member_order": "bysource",
    "myst_heading_anchors": 2,
    "default_role": "code",
    "keep_warnings": True,
    "pygments_style": "friendly",
}


def write_sources(folder: Path) -> list[Path]:
    """Write every page of the site as text, ready for Sphinx.

    Parameters
    ----------
    folder : Path
        Made if missing.

    Returns
    -------
    list of Path
        What was written.
    """
    written = []
    for page in sorted(SOURCES.rglob("*.md")):
        target = folder / page.relative_to(SOURCES)
        make_folder(target.parent)
        shutil.copyfile(page, target)
        written.append(target)
    made = {"api": api_page(), **dict(reference_pages()), **dict(key_pages())}
    make_folder(folder / "reference")
    for name, text in made.items():
        written.append(write_text(folder / "reference" / f"{name}.md", text + "\n"))
    written.append(write_text(folder / "gallery.md", gallery_page() + "\n"))
    written.append(write_text(folder / "glossary.md", glossary_page() + "\n"))
    if (kept := kept_pictures()) is not None:
        make_folder(folder / "pictures")
        for picture in GALLERY:
            if (drawn := kept / f"{picture.name}.png").is_file():
                shutil.copyfile(drawn, folder / "pictures" / drawn.name)
    return written


def build_site(out: Path) -> list[str]:
    """Build the site as HTML, with the researcher's notebook beside it.

    Parameters
    ----------
    out : Path
        Folder of the site; made if missing.

    Returns
    -------
    list of str
        What Sphinx complains of; empty for a site without a broken link or an unclear text.

    Raises
    ------
    EbbmapError
        If Sphinx is not installed, or the folder cannot be written.
    """
    try:
        from sphinx.application import Sphinx
        from sphinx.util.docutils import docutils_namespace, patch_docutils
    except ImportError:
        raise EbbmapError(
            "the site needs Sphinx, which is not installed. Install it: pip install 'ebbmap[docs]'."
        ) from None
    make_folder(out)
    said = io.StringIO()
    with tempfile.TemporaryDirectory() as scratch:
        sources, trees = Path(scratch, "sources"), Path(scratch, "trees")
        write_sources(sources)
        settings = {**_SETTINGS, "version": ebbmap.__version__, "release": ebbmap.__version__}
        with patch_docutils(), docutils_namespace(), warnings.catch_warnings():
            # Sphinx's own extensions use what Sphinx is about to drop
            warnings.simplefilter("ignore", DeprecationWarning)
            warnings.simplefilter("ignore", PendingDeprecationWarning)
            site = Sphinx(
                sources,
                None,
                out,
                trees,
                "html",
                confoverrides=settings,
                status=None,
                warning=said,
            )
            site.build()
    write_text(out / NAME, notebook_text(SOURCES / PAGE))
    return [line.replace(f"{scratch}/", "") for line in said.getvalue().splitlines() if line]
