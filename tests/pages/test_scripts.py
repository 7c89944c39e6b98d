"""A page's scripts come in one file: every module once, after what it imports."""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient

from server.pages.scripts import PAGES, STATIC, joined


@pytest.mark.parametrize("name", PAGES)
def test_each_module_is_there_once_and_after_what_it_imports(name: str) -> None:
    text = joined(name)
    placed = re.findall(r"^const \$(\w+) = \(\(\) => \{$", text, re.MULTILINE)
    assert placed[-1] == name and len(placed) == len(set(placed))
    for module in placed:
        imported = re.findall(r'"\./(\w+)\.js";$', (STATIC / f"{module}.js").read_text(), re.MULTILINE)
        assert set(imported) <= set(placed[: placed.index(module)])


@pytest.mark.parametrize("name", PAGES)
def test_no_import_and_no_export_is_left_to_the_browser(name: str) -> None:
    assert not re.findall(r"^(?:import|export)\b.*", joined(name), re.MULTILINE)


@pytest.mark.parametrize("name", PAGES)
def test_all_that_is_imported_is_returned_by_its_module(name: str) -> None:
    text = joined(name)
    returned = dict(
        zip(
            re.findall(r"^const \$(\w+) = ", text, re.MULTILINE),
            re.findall(r"^return \{(.*)\};$", text, re.MULTILINE),
            strict=True,
        )
    )
    for names, module in re.findall(r"^const \{([^}]*)\} = \$(\w+);$", text, re.MULTILINE):
        taken = {one.split(":")[0].strip() for one in names.split(",") if one.strip()}
        assert taken <= {one.strip() for one in returned[module].split(",")}


def test_a_script_is_not_sent_again_to_who_has_it(client: FlaskClient) -> None:
    answer = client.get("/scripts/bench.js", buffered=True)
    assert answer.mimetype == "text/javascript" and answer.headers["Cache-Control"] == "no-cache"
    again = client.get("/scripts/bench.js", headers={"If-None-Match": answer.headers["ETag"]})
    assert again.status_code == 304


@pytest.mark.parametrize("name", ["make", "nothing", "..%2Fapp"])
def test_only_the_script_of_a_page_is_there(client: FlaskClient, name: str) -> None:
    assert client.get(f"/scripts/{name}.js").status_code == 404
