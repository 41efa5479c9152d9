"""Values made the quick way are the same frozen values."""

import copy
import dataclasses
import pickle

import pytest

from earwitness.core.quick import maker
from earwitness.core.types import IdentityRef


def test_a_value_made_quickly_is_like_any_other():
    plain = IdentityRef("aircraft", "ABCDE1", ("TEST12",), 1.0, 2.0)
    made = maker(IdentityRef)("aircraft", "ABCDE1", ("TEST12",), 1.0, 2.0)
    assert type(made) is IdentityRef
    assert made == plain
    assert hash(made) == hash(plain)
    assert repr(made) == repr(plain)
    assert dataclasses.replace(made, key="1") == dataclasses.replace(plain, key="1")
    assert copy.copy(made) == pickle.loads(pickle.dumps(made)) == plain
    with pytest.raises(dataclasses.FrozenInstanceError):
        made.key = "other"
    with pytest.raises(TypeError):
        maker(IdentityRef)("aircraft")
