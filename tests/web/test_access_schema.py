"""The API against its own description: requests made from the schema, right and wrong ones, none of which may break it.

Made by schemathesis from a fixed seed. Half of those about an event are about the one that is there, so that they do
not all end at "no such event".
"""

import time
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from logger.store.store import Store
from tests.web.example import fill
from web.access_keys import Keys
from web.app import create_app
from web.pass_phrase import make_pass_phrase

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed: pip install .[dev]")
CHECKS = [
    schemathesis.checks.not_a_server_error,
    schemathesis.checks.status_code_conformance,
    schemathesis.checks.content_type_conformance,
    schemathesis.checks.response_schema_conformance,
]
EXAMPLES = 12
ENDLESS = "GET /api/now/stream"
KNOWN = {"recording": "r01", "channel": "fuel_pressure", "table": "notes", "entry_id": 1, "export_id": 1, "link_id": 1}
"""What is there, by the names of parameters."""


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[object, dict[str, str]]]:
    """The schema of a page with a pass-phrase, and the head of the owner's requests."""
    folder = tmp_path_factory.mktemp("described")
    with Store(folder / "data") as store:
        KNOWN["event_id"] = fill(store, folder / "captured")
        pass_phrase, _ = make_pass_phrase(store.data_dir, time.time())
        keys = Keys(store.data_dir)
        head = {"Cookie": f"sl_session={keys.log_in(pass_phrase)}"}
        app = create_app(store, folder / "run", hosts=["testserver"], keys=keys)
        yield schemathesis.openapi.from_asgi("/api/openapi.json", app, headers=head), head


def test_nothing_that_the_schema_allows_or_forbids_breaks_the_api(
    described: tuple[schemathesis.BaseSchema, dict[str, str]],
) -> None:
    schema, head = described
    operations = [found.ok() for found in schema.get_all_operations()]
    asked, answers = set(), set()
    for operation in operations:
        if operation.label == ENDLESS:
            continue

        @settings(
            max_examples=EXAMPLES,
            derandomize=True,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(), is_known=st.booleans())
        def ask(case: schemathesis.Case, is_known: bool) -> None:
            if is_known:
                case.path_parameters = {name: KNOWN.get(name, value) for name, value in case.path_parameters.items()}
            answer = case.call(headers=head)
            answers.add(answer.status_code)
            case.validate_response(answer, checks=CHECKS)

        ask()
        asked.add(operation.label)
    assert len(asked) == len(operations) - 1 > 35
    assert {200, 201, 204, 404, 422} <= answers
