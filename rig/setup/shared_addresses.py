"""Two instruments of a bench file that are one device, and read or switch the same part of it.

A gauge that is compared with itself always agrees. Units of one gateway, and channels of one unit, are
different instruments.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from drivers.addresses import normal_address, serial_device
from rig_configs.files.checked_toml import TomlText
from rig_configs.roles import may_be_one_device

if TYPE_CHECKING:
    from rig.setup.bench_file import InstrumentEntry

_REGISTER_OPTIONS: Final = ("pressure", "temperature", "oxygen", "first", "outputs")
"""Options that say which registers of a Modbus unit an instrument reads; each is register 0 by default."""


def shared_address_problems(source: TomlText, instruments: Mapping[str, InstrumentEntry]) -> Iterator[str]:
    """Return a sentence for every instrument that reads or switches what an earlier one does already.

    Args:
        source: the bench file.
        instruments: those with an address of their own: not virtual, and not read by a person.
    """
    names = list(instruments)
    for place, name in enumerate(names):
        entry = instruments[name]
        for earlier in names[:place]:
            other = instruments[earlier]
            if _part(entry) != _part(other) or may_be_one_device(entry.role, other.role):
                continue
            yield source.problem(
                ("instruments", name, "address"),
                f"'{entry.address}' is already '{earlier}' ({other.role}, "
                f"{source.where(('instruments', earlier, 'address'))}); role "
                f"'{entry.role}' needs a device, unit number or channel of its own",
            )
            break


def _part(entry: InstrumentEntry) -> tuple[str, object]:
    """The device, and what of it the instrument reads or switches."""
    address = normal_address(entry.address)
    if not address.startswith(("tcp:", "rtu:")):
        return _serial_or(address), _command(entry.options)
    given = next((entry.options[key] for key in _REGISTER_OPTIONS if key in entry.options), 0)
    return address, given.get("address", 0) if isinstance(given, dict) else given


def _serial_or(address: str) -> str:
    device = serial_device(address)
    return address if device is None else device


def _command(options: Mapping[str, Any]) -> tuple[str, str]:
    """The channels of a text instrument, and its own word for a reading."""
    words = options.get("words")
    read = words.get("read", "") if isinstance(words, dict) else ""
    return str(options.get("channels", "")), str(read)
