"""Fixtures for all tests of outputs."""

from __future__ import annotations

import pytest
from hl7_package import MISSING, JsonSchema, Package, hl7_file
from invented_session import invented_catalogue, invented_session

from dictate.exam.catalogue import Catalogue
from dictate.session.record import Session


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return invented_catalogue()


@pytest.fixture(scope="session")
def session() -> Session:
    return invented_session()


@pytest.fixture(scope="session")
def package() -> Package:
    path = hl7_file("hl7.fhir.r4.core.tgz")
    if path is None:
        pytest.skip(MISSING)
    return Package(path)


@pytest.fixture(scope="session")
def json_schema() -> JsonSchema:
    path = hl7_file("fhir.schema.json")
    if path is None:
        pytest.skip(MISSING)
    return JsonSchema(path)
