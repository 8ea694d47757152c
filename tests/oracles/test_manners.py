"""Simulated instruments that do not behave as SCPI has it, driven with pyserial and PyVISA alone.

What each does is told in drivers/virtual-bench/manners/README.md; blocks are those of IEEE 488.2 (from memory), XON and
XOFF those of ASCII (DC1, DC3), the kelvin that of the SI brochure. Here is none of the project's own code.
"""

import time

import numpy as np
import pytest
import pyvisa
import serial
from pyvisa import constants

from serving import served


class Line:
    """A serial line with ends of its own."""

    def __init__(self, path, end=b"\n", answer_end=b"\n", **settings):
        self.port = serial.Serial(path, timeout=2, **settings)
        self.end, self.answer_end = end, answer_end

    def write(self, message):
        self.port.write(message.encode("ascii") + self.end)

    def answer(self):
        answer = self.port.read_until(self.answer_end)
        assert answer.endswith(self.answer_end), f"{answer!r} is no whole answer"
        return answer[: -len(self.answer_end)].decode("ascii")

    def query(self, message):
        self.write(message)
        return self.answer()

    def silent(self):
        """Nothing comes for a while."""
        self.port.timeout = 0.4
        came = self.port.read(1)
        self.port.timeout = 2
        return came == b""


def bench(wattproof, *names):
    return served(wattproof, *(word for name in names for word in ("--manner", name)))


def energise(ports):
    """A steady tone into 4 ohm, by strict instruments."""
    lines = {role: Line(ports[role], baudrate=921_600) for role in ("source", "load", "supply")}
    for message in ("SOUR1:RES 4", "INP1 ON"):
        lines["load"].write(message)
        assert lines["load"].query("*OPC?") == "1"
    for message in ("VOLT 14.4", "CURR 100", "OUTP ON"):
        lines["supply"].write(message)
    assert lines["supply"].query("*OPC?") == "1"
    for message in ("SOUR1:FREQ 1000", "SOUR1:VOLT 0.3", "OUTP1 ON"):
        lines["source"].write(message)
    assert lines["source"].query("*OPC?") == "1"
    time.sleep(0.3)
    for line in lines.values():
        assert line.query("SYST:ERR?") == '0,"No error"'


def ohm(volts, amps):
    """What the record says the load is: dividers of 1:20 and sensors of 10 A/V."""
    assert np.std(volts) > 0.1
    return np.std(volts) * 20 / (np.std(amps) * 10)


def test_a_source_in_volts_peak_to_peak(wattproof):
    with bench(wattproof, "peak-source") as ports:
        line = Line(ports["source"], b"\r", b"\r", baudrate=19_200)
        assert len(line.query("*IDN?").split(",")) == 4
        line.write("VPP 1 1.5")
        assert float(line.query("VPP? 1")) == pytest.approx(1.5, abs=1e-5)
        # 5 V rms are 14.142 V from peak to peak.
        assert float(line.query("VPP? 1 TOP")) == pytest.approx(10 * 2**0.5, abs=1e-3)
        line.write("OUT 1 ON")
        assert line.query("OUT? 1") == "ON"
        assert line.query("SYST:ERR?") == '0,"No error"'
        # One command a line: the whole line is refused and nothing of it is done.
        line.write("VPP 1 0.5;OUT 1 OFF")
        assert line.query("SYST:ERR?").startswith("-113,")
        assert (float(line.query("VPP? 1")), line.query("OUT? 1")) == (pytest.approx(1.5, abs=1e-5), "ON")
        # A line feed ends nothing.
        line.port.write(b"OUT? 1\n")
        assert line.silent()
        line.port.write(b"\r")
        line.answer()
        # At another speed it hears and says garbage.
        line.port.baudrate = 9_600
        line.write("OUT? 1")
        assert b"ON" not in line.port.read(8)


def test_a_load_that_echoes_and_loses_what_comes_too_fast(wattproof):
    with bench(wattproof, "echo-load") as ports:
        port = serial.Serial(ports["load"], baudrate=9_600, timeout=2)

        def slowly(message):
            for byte in message.encode("ascii") + b"\n":
                port.write(bytes([byte]))
                assert port.read(1) == bytes([byte]), "every byte comes back"
                time.sleep(0.003)

        def query(message):
            slowly(message)
            return port.read_until(b"\r\n").decode("ascii").strip()

        assert len(query("*IDN?").split(",")) == 4
        slowly("RES 1,4.00")
        assert query("RES? 1") == "4.00 OHM"
        slowly("RELAY 1,CLOSE")
        assert query("*OPC?") == "1"
        assert query("RELAY? 1") == "RELAY 1 CLOSED"
        slowly("RELAY 1,JAM")
        assert query("FAULT?").startswith("-113,")
        assert query("FAULT?").startswith("0,")
        # All at once: six bytes wait, the rest is lost, and the answer with it.
        lost = 0
        for _ in range(3):
            port.write(b"RELAY? 1   \n")
            time.sleep(0.3)
            lost += b"CLOSED" not in port.read(port.in_waiting)
            slowly("")
            port.read(port.in_waiting)
        assert lost > 0


def test_a_supply_with_commas_units_and_flow_control(wattproof):
    with bench(wattproof, "comma-supply") as ports:
        manager = pyvisa.ResourceManager("@py")
        supply = manager.open_resource(
            f"ASRL{ports['supply']}::INSTR",
            baud_rate=9_600,
            flow_control=constants.ControlFlow.xon_xoff,
            read_termination="\r\n",
            write_termination="\r\n",
            timeout=5_000,
        )
        assert supply.query("WHO").startswith("invented supply")
        supply.write("U 14,400")
        assert supply.query("U?") == "U=14,400 V"
        # A point is no comma here, and nothing tells so.
        supply.write("U 9.000")
        assert supply.query("U?") == "U=14,400 V"
        supply.write("I 20,0")
        assert supply.query("I?") == "I=20,000 A"
        supply.write("POWER 1")
        assert supply.query("POWER?") == "OUT;LIVE;LOCAL 0"
        time.sleep(0.4)
        volts, unit = supply.query("UOUT?").split()
        assert (float(volts.replace(",", ".")), unit) == (pytest.approx(14.4, abs=0.05), "V")
        # A long pile of messages is held back by XOFF, and all of it is obeyed.
        supply.write("\r\n".join(f"U {volts},000" for volts in range(1, 13)))
        assert supply.query("U?") == "U=12,000 V"
        supply.write("POWER 0")
        assert supply.query("POWER?") == "OUT;DEAD;LOCAL 0"
        supply.close()
        manager.close()
        # Whoever does not heed XOFF finds it in the answers.
        rude = serial.Serial(ports["supply"], baudrate=9_600, timeout=1)
        rude.write(b"U 13,000\r\n" * 3)
        assert b"\x13" in rude.read(4)


def test_a_digitizer_with_packed_words(wattproof):
    with bench(wattproof, "packed-digitizer") as ports:
        energise(ports)
        line = Line(ports["digitizer"], baudrate=921_600)
        for message in ("LENGTH 2000", "EVERY 10", "SPAN 1,1", "SPAN 2,2", "*CLS", "RECORD", "*OPC"):
            line.write(message)
        assert line.query("EVERY?") == "10.0000 us"
        for _ in range(200):
            if int(line.query("*ESR?")) & 1:
                break
            time.sleep(0.01)
        else:
            pytest.fail("the record was never complete")
        line.write("WORDS? 1,2")
        content = line.port.read(2 + 2 * 2 * 2000 + 1)
        assert content[:2] == b"#0" and content.endswith(b"\n")
        words = np.frombuffer(content[2:-1], "<i2").reshape(2000, 2).astype(float)
        step = [float(line.query(f"STEP? {channel}")) for channel in (1, 2)]
        zero = [float(line.query(f"ZERO? {channel}")) for channel in (1, 2)]
        assert step == pytest.approx([1 / 32_000, 2 / 32_000])
        volts, amps = (words * step + zero).T
        assert ohm(volts, amps) == pytest.approx(4, rel=0.01)
        # Code 100 is 0 V: a whole number of periods of a tone has no mean.
        assert abs(np.mean(volts)) < 1e-4 < abs(zero[0])
        assert line.query("SYST:ERR?") == '0,"No error"'


def test_a_digitizer_with_lists(wattproof):
    with bench(wattproof, "list-digitizer") as ports:
        energise(ports)
        line = Line(ports["digitizer"], b"\r\n", b"\r\n", baudrate=921_600)

        def calmly(message):
            time.sleep(0.02)
            line.write(message)

        for message in ("POINTS=2000", "NS=10000", "RANGE1=1", "RANGE2=2", "START"):
            calmly(message)
        for _ in range(200):
            calmly("STATE?")
            state = line.answer()
            if state == "READY":
                break
            assert state == "BUSY"
        else:
            pytest.fail("the record was never complete")
        channels = []
        for channel in (1, 2):
            calmly(f"DATA{channel}?")
            channels.append(np.array([float(number) for number in line.answer().split(";")]))
            assert len(channels[-1]) == 2000
        assert ohm(*channels) == pytest.approx(4, rel=0.01)
        calmly("LAST?")
        assert line.answer() == '0,"No error"'


def test_a_thermometer_in_kelvin_that_wants_peace(wattproof):
    with bench(wattproof, "kelvin-thermometer") as ports:
        line = Line(ports["thermometer"], b"\r", b"\r", baudrate=2_400)

        def ask(message, pause=0.1):
            time.sleep(pause)
            line.write(message)
            assert line.answer() == message, "each line comes back"
            return line.answer()

        assert len(ask("ID").split(",")) == 4
        answer = ask("T1")
        assert answer.startswith("T1=+") and answer.endswith("K")
        assert 15 < float(answer[4:-1]) - 273.15 < 40
        assert ask("TX") == "?"
        # Too soon: not even an echo.
        line.write("T1")
        assert line.silent()
        assert ask("T2").startswith("T2=")


def test_a_thermometer_with_fields_in_a_list(wattproof):
    with bench(wattproof, "listed-thermometer") as ports:
        manager = pyvisa.ResourceManager("@py")
        thermometer = manager.open_resource(
            f"ASRL{ports['thermometer']}::INSTR", read_termination="\n", write_termination="\n", timeout=3_000
        )
        assert len(thermometer.query("*IDN?").split(",")) == 4
        channel, tenths, word = thermometer.query("READ2").split(";")
        assert (channel, word) == ("2", "OK") and 150 < int(tenths) < 400
        thermometer.close()
        manager.close()
