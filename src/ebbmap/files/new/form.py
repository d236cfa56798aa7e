"""The offline form: one page that fills in a protocol with the same questions and checks."""

from __future__ import annotations

import json
from importlib.resources import files

from ebbmap.caution import CAUTION, CONTRAINDICATIONS
from ebbmap.files.new.asked import KINDS
from ebbmap.files.new.lines import form_data

#: Places in the template.
DATA, LINE, UNSUITABLE = "__FORM_DATA__", "__CAUTION__", "__UNSUITABLE__"


def form_page() -> str:
    """Return the page as HTML with style, script and questions inside; nothing is fetched."""
    template = files("ebbmap.files.new").joinpath("form.html").read_text(encoding="utf-8")
    data = json.dumps(form_data(KINDS["protocol"]), ensure_ascii=False)
    page = template.replace(LINE, CAUTION).replace(UNSUITABLE, ", ".join(CONTRAINDICATIONS))
    # a closing tag inside a string would end the script
    return page.replace(DATA, data.replace("</", "<\\/"))
