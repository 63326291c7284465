"""The first answer after a start does not wait until every route has been built a second time."""

from pathlib import Path

from logger.store.store import Store
from web.access_keys import Keys
from web.app import LOCKED_ROUTERS, ROUTERS, create_app


def test_the_routes_are_those_built_on_loading(filled: tuple[Store, str], tmp_path: Path) -> None:
    routes = {id(route) for route in create_app(filled[0], keys=Keys(tmp_path)).routes}
    built = [route for router in (*ROUTERS, *LOCKED_ROUTERS) for route in router.routes]
    assert len(built) > 50
    assert all(id(route) in routes for route in built)


def test_without_a_pass_phrase_there_is_no_log_in(filled: tuple[Store, str]) -> None:
    paths = {getattr(route, "path", "") for route in create_app(filled[0]).routes}
    assert "/events" in paths
    assert "/log-in" not in paths
