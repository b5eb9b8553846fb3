"""The table of roles agrees with what is derived from it."""

from dataclasses import fields
from typing import get_args

import pytest

from drivers import ports
from drivers.catalogue import driver_names, driver_roles, virtual_faults
from grading.measurement import ErrorModel
from rig.safety.drive_words import Drive
from rig.setup.bench import OpenBench
from rig.setup.bench_file import parse_bench
from rig_configs.files.checked_toml import FileError, TomlText
from rig_configs.files.shipped_files import open_config
from rig_configs.roles import ROLES, BenchKind, Role

SHIPPED = {"valves": "virtual_bench", "controller": "controller_bench", "hands": "virtual_hand_pot"}


def test_every_role_has_a_row_a_port_a_driver_and_a_place_on_an_open_bench():
    assert set(ROLES) == set(get_args(Role))
    served = {role for name in driver_names() for role in driver_roles(name)}
    assert served == set(ROLES)
    assert {field.name for field in fields(OpenBench)} >= set(ROLES)
    assert all(hasattr(ports, kind.port) for kind in ROLES.values())


def test_every_term_that_a_bench_file_may_state_is_one_of_the_error_model():
    known = {field.name for field in fields(ErrorModel)}
    assert all(known >= set(kind.terms.values()) for kind in ROLES.values())


def test_the_kinds_of_bench_are_the_kinds_of_drive():
    assert set(get_args(BenchKind)) == {str(drive) for drive in Drive}


@pytest.mark.parametrize("kind", SHIPPED)
def test_a_bench_is_refused_without_each_role_that_it_cannot_do_without(kind):
    whole = open_config("benches", SHIPPED[kind])
    bench = parse_bench(whole)
    for role, row in ROLES.items():
        found = bench.by_role(role)
        if found is None or row.moves_pressure:
            continue
        without = TomlText("mine.toml", _without(whole.text, found[0]))
        if kind in row.required_by:
            with pytest.raises(
                FileError, match=f"no instrument has role '{role}', needed {row.why_required}"
            ):
                parse_bench(without)
        else:
            assert parse_bench(without).by_role(role) is None


def test_a_fault_of_any_instrument_names_roles_of_the_table():
    targets = {target for kind in virtual_faults() for target in kind.targets}
    assert targets <= set(ROLES) | {"both", "socket"}


def _without(text, name):
    """Return the text of a bench file without the tables of one instrument."""
    kept, skips = [], False
    for line in text.splitlines():
        if line.startswith("["):
            skips = line.startswith((f"[instruments.{name}]", f"[instruments.{name}."))
        if not skips:
            kept.append(line)
    return "\n".join(kept)
