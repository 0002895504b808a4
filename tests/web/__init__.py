"""Tests of the page. What the helpers assert is told in full, as in the tests themselves."""

import pytest

pytest.register_assert_rewrite("web.chromium", "web.conftest")
