"""The bench's manual lists what its servers answer."""

from drivers.virtual.describe import describe


def test_the_manual_names_every_instrument_register_and_command(six_cell_spec):
    text = describe(six_cell_spec)
    for name, played in six_cell_spec.instruments.items():
        assert f"{name}: {played.role}" in text
        assert played.serial in text
    for words in (
        "ROUTe:SCAN?",
        "INITiate[:IMMediate]",
        "MEASure:TEMPerature?",
        "heartbeat",
        "conversion counter",
        "10-13",
    ):
        assert words in text


def test_like_instruments_share_one_table(six_cell_spec):
    assert describe(six_cell_spec).count("conversion counter") == 1


def test_lines_fit_a_terminal_of_120(six_cell_spec):
    assert max(len(line) for line in describe(six_cell_spec).splitlines()) <= 120
