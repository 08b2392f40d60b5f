from __future__ import annotations

import importlib
import types

import pytest

import doe.planning as room


def test_every_public_name_is_there():
    assert all(getattr(room, name) is not None for name in room.__all__)
    assert set(room._WHERE) == set(room.__all__)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        room.nothing  # noqa: B018 - the access is what is tested


def test_no_public_name_is_hidden_by_a_module_of_the_same_name():
    for module in sorted(set(room._WHERE.values())):
        importlib.import_module(f"doe.planning.{module}")
    assert not any(isinstance(getattr(room, name), types.ModuleType) for name in room.__all__)
