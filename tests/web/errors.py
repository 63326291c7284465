"""The one shape of every JSON answer that is not the one asked for."""

from httpx import Response


def assert_error(answer: Response, status: int) -> dict[str, object]:
    """`{"error": {"status": the HTTP status, "what": what was wrong, "todo": what to do}}`, nothing more."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/json"
    body = answer.json()
    assert set(body) == {"error"}
    error = body["error"]
    assert set(error) == {"status", "what", "todo"}
    assert error["status"] == status
    assert error["what"]
    assert error["todo"]
    return error
