"""Fixtures for all tests of outputs."""

from __future__ import annotations

import pytest
from dictate.exam.catalogue import Catalogue
from dictate.session.record import Session
from invented_session import invented_catalogue, invented_session


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return invented_catalogue()


@pytest.fixture(scope="session")
def session() -> Session:
    return invented_session()
