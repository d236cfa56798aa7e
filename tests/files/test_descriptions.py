"""Every key of a study, a protocol and a policy says what it is for, in the schema itself."""

import pytest

from ebbmap.files.policy.schema import PolicyFile
from ebbmap.files.protocol.schema import ProtocolFile
from ebbmap.files.study.schema import StudyFile


@pytest.mark.parametrize("file", [StudyFile, ProtocolFile, PolicyFile])
def test_every_key_has_a_description(file):
    schema = file.model_json_schema()
    keys = {
        f"{table}.{key}": entry.get("description", "")
        for table, part in {"file": schema, **schema["$defs"]}.items()
        for key, entry in part.get("properties", {}).items()
    }
    assert len(keys) > 100
    assert [key for key, text in keys.items() if not text] == []
    # a few words in the field's language, which fit beside a key in an editor
    assert [key for key, text in keys.items() if len(text) > 240] == []
