"""What several published sources' checks share."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(scope="module")
def opensees() -> object:
    try:
        import openseespy.opensees as ops
    except (ImportError, RuntimeError, OSError) as err:
        if os.environ.get("TILLER_NO_SKIPS"):
            pytest.fail(f"OpenSeesPy cannot be imported ({err}); on Debian it needs libblas3 and liblapack3")
        pytest.skip(f"OpenSeesPy cannot be imported ({err}); on Debian it needs libblas3 and liblapack3")
    return ops
