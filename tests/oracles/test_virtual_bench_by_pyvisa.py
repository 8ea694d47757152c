"""Every simulated instrument driven by PyVISA with its pure-Python backend: none of the project's own code.

Messages are those of SCPI-1999 and IEEE 488.2 (both from memory) in the tables of drivers/dialects/README.md.
"""

import numpy as np
import pytest
import pyvisa

from serving import served

ROLES = ["source", "load", "supply", "digitizer", "thermometer"]


@pytest.fixture(scope="module")
def instruments(wattproof):
    """The served instruments by role."""
    manager = pyvisa.ResourceManager("@py")
    with served(wattproof) as ports:
        opened = {
            role: manager.open_resource(
                f"ASRL{port}::INSTR",
                baud_rate=921_600,
                read_termination="\n",
                write_termination="\n",
                timeout=5_000,
            )
            for role, port in ports.items()
        }
        yield opened
        for instrument in opened.values():
            instrument.close()
    manager.close()


@pytest.fixture(autouse=True)
def quiet(instruments):
    """Every test starts from reset instruments with empty error queues and leaves no error unread."""
    for instrument in instruments.values():
        instrument.write("*RST;*CLS")
    yield
    for role, instrument in instruments.items():
        assert instrument.query("SYST:ERR?") == '0,"No error"', role


@pytest.mark.parametrize("role", ROLES)
def test_identity_and_error_queue(instruments, role):
    # IEEE 488.2, 10.14: four fields. SCPI-1999, 21.8: oldest first, 0 when empty.
    instrument = instruments[role]
    assert len(instrument.query("*IDN?").split(",")) == 4
    assert instrument.query("SYST:VERS?") == "1999.0"
    for message in ("NONS:SUCH 1", "*ESE", "*CLS 5"):
        instrument.write(message)
    # Undefined header; missing parameter; parameter not allowed.
    assert [instrument.query("SYST:ERR?").split(",")[0] for _ in range(4)] == ["-113", "-109", "-108", "0"]
    assert int(instrument.query("*ESR?")) & 32


# Program messages and what they leave behind. IEEE 488.2, 7.7.2 (decimal numbers), 7.7.3 (suffixes); SCPI-1999, 6.2
# (long and short form, default nodes, header paths), 7.2 (MINimum, MAXimum).
VECTORS = [
    ("source", "SOUR1:VOLT .5", "SOUR1:VOLT?", 0.5),
    ("source", "SOUR1:VOLT +5E-1", "SOUR1:VOLT?", 0.5),
    ("source", "SOUR1:VOLT 5.0 e -1", "SOUR1:VOLT?", 0.5),
    ("source", "SOUR1:VOLT 500 mV", "SOUR1:VOLT?", 0.5),
    ("source", "SOUR1:VOLT 500MV", "SOUR1:VOLT?", 0.5),
    ("source", "source1:voltage:level:immediate:amplitude 0.5", ":sour1:volt:ampl?", 0.5),
    ("source", "SOUR1:VOLT 0.1;FREQ 500", "SOUR1:FREQ?", 500),
    ("source", "SOUR1:VOLT 0.1;:SOUR2:VOLT 0.2", "SOUR2:VOLT?", 0.2),
    ("source", "SOUR1:FREQ 2 KHZ", "SOUR1:FREQ?", 2000),
    ("source", "SOUR1:FREQ MAX", "SOUR1:FREQ?", 100_000),
    ("source", "SOUR1:FREQ MINIMUM", "SOUR1:FREQ? MIN", 1),
    ("source", "OUTP1 ON", "OUTP1?", 1),
    ("source", "OUTP1:STAT 1", "OUTP1:STAT?", 1),
    ("load", "SOUR2:RES 8 OHM", "SOUR2:RES?", 8),
    ("load", "SOUR2:RES .1 KOHM", "SOUR2:RES?", 100),
    ("load", "INP2 ON", "INP2?", 1),
    ("supply", "VOLT 14.4;CURR 20", "CURR?", 20),
    ("supply", "SOUR:VOLT:PROT 16", "VOLT:PROT:LEV?", 16),
    ("digitizer", "SENS:SWE:POIN 1024", "SWE:POIN?", 1024),
    ("digitizer", "SENS:SWE:TINT 10 US", "SENS:SWE:TINT?", 1e-5),
    ("digitizer", "SENS3:VOLT:DC:RANG:UPP 4.5", "SENS3:VOLT:RANG?", 5),
    ("supply", "*ESE 36;*SRE 32", "*ESE?;*SRE?", [36, 32]),
]


@pytest.mark.parametrize("role, message, question, expected", VECTORS)
def test_messages_mean_what_the_standards_say(instruments, role, message, question, expected):
    instrument = instruments[role]
    instrument.write(message)
    answers = [float(answer) for answer in instrument.query(question).split(";")]
    assert answers == pytest.approx(expected if isinstance(expected, list) else [expected], rel=1e-6)
    instrument.write("*ESE 0;*SRE 0")


@pytest.mark.parametrize(
    "role, message, number",
    [
        ("source", "SOUR1:VOLT 1000", -222),
        ("source", "SOUR9:VOLT 1", -114),
        ("source", "SOUR1:VOLT 1 OHM", -131),
        ("source", "SOUR1:VOLT ABC", -224),
        ("source", "OUTP1 'ON'", -104),
        ("digitizer", "FETC? (@1)", -230),
    ],
)
def test_what_cannot_be_is_refused_with_its_number(instruments, role, message, number):
    # SCPI-1999, 21.8.9 to 21.8.11 (from memory); -1xx where several would do.
    instrument = instruments[role]
    instrument.write(message)
    found = int(instrument.query("SYST:ERR?").split(",")[0])
    assert found == number or (number > -200 and -200 < found < -100) or (number == -224 and -200 < found < -100)


def test_a_thermometer_tells_the_room(instruments):
    assert 15 < float(instruments["thermometer"].query("MEAS:TEMP? (@1)")) < 40


def test_blocks_of_every_form_hold_the_same_record(instruments):
    # IEEE 488.2, 8.7.9: definite blocks, by PyVISA's own parser. A record is fetched again and again.
    digitizer = instruments["digitizer"]
    digitizer.write("SENS:SWE:POIN 512;TINT 1E-5")
    for channel in (1, 2):
        digitizer.write(f"SENS{channel}:VOLT:RANG 1")
    digitizer.write("INIT")
    assert digitizer.query("*OPC?") == "1"
    digitizer.write("FORM ASC")
    expected = np.array(digitizer.query_ascii_values("FETC? (@1:2)"))
    assert len(expected) == 1024 and 0 < np.std(expected) < 1e-3
    forms = [("REAL,32", "f", 1.0, 1e-7), ("REAL,64", "d", 1.0, 1e-7), ("INT,32", "i", 2.0**-31, 1e-7)]
    forms.append(("INT,16", "h", 2.0**-15, 2.0**-15))
    for form, kind, volts, within in forms:
        for order, big in (("NORM", True), ("SWAP", False)):
            digitizer.write(f"FORM {form};:FORM:BORD {order}")
            values = digitizer.query_binary_values("FETC? (@1:2)", datatype=kind, is_big_endian=big)
            assert np.array(values) * volts == pytest.approx(expected, abs=within), (form, order)
