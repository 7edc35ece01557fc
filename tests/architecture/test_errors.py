"""The tables of errors are complete, and only the store commits."""

from __future__ import annotations

import ast
import importlib
import pkgutil
from pathlib import Path

import api
from api.problems import _OF_ERROR, KINDS, kind_of
from api.services.errors import ServiceError
from api.store.errors import StoreError
from domain.errors import DomainError

API = Path(api.__file__).parent


def subclasses(root: type[Exception]) -> set[type[Exception]]:
    """Every type below ``root``, wherever it is defined in the project."""
    for package in ("api", "domain"):
        found = importlib.import_module(package)
        for module in pkgutil.walk_packages(found.__path__, f"{package}."):
            importlib.import_module(module.name)
    below: set[type[Exception]] = set()
    for child in root.__subclasses__():
        below |= {child} | subclasses(child)
    return below


def test_every_error_has_a_kind_of_problem() -> None:
    for root in (DomainError, ServiceError, StoreError):
        for error in subclasses(root):
            assert kind_of(error).slug != "internal-error", error


def test_the_table_names_no_other_types() -> None:
    known = subclasses(DomainError) | subclasses(ServiceError) | subclasses(StoreError)
    assert set(_OF_ERROR) <= known
    assert set(_OF_ERROR.values()) <= set(KINDS)


def test_services_know_no_status() -> None:
    for file in [*(API / "services").glob("*.py"), *(API / "store").glob("*.py")]:
        nodes = ast.walk(ast.parse(file.read_text("utf-8")))
        names = {node.id for node in nodes if isinstance(node, ast.Name)}
        assert not names & {"HTTPException", "status_code"}, file


def test_commit_stands_once_in_the_service() -> None:
    calls = [
        f"{file.relative_to(API)}:{node.lineno}"
        for file in API.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "commit"
    ]
    assert len(calls) == 1, calls
    assert calls[0].startswith("store/session.py")
