//! The instrument end as a whole: replies, status, waiting. Scenarios from `data/scpi_vectors.json` (source: see
//! `data/README.md`) and, where marked, IEEE 488.2 from memory.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may fail the test")]

mod rig;

use rig::{IDN, Rig, ask, interpreter, small};
use serde_json::Value;
use wattproof_scpi::status::{ErrorQueue, Register};
use wattproof_scpi::{Interpreter, ScpiError};

fn vectors() -> Value {
    serde_json::from_str(include_str!("data/scpi_vectors.json")).unwrap()
}

#[test]
fn responses_are_formed_as_the_vectors_say() {
    let all = vectors();
    for case in all["response"]["cases"].as_array().unwrap() {
        let (mut rig, mut interpreter) = (Rig::default(), interpreter());
        let mut reply = String::new();
        for line in case[0].as_str().unwrap().split(" then ") {
            reply = ask(&mut interpreter, &mut rig, line);
        }
        let wanted = case[1].as_str().unwrap().replace("<idn>", IDN);
        let wanted = wanted.split(" = ").next().unwrap();
        assert_eq!(reply, format!("{wanted}\n"), "{case}");
    }
}

#[test]
fn the_status_scenario_runs_as_published() {
    let all = vectors();
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    for step in all["status_scenario"]["steps"].as_array().unwrap() {
        let reply = ask(&mut interpreter, &mut rig, step[0].as_str().unwrap());
        let wanted = step[1].as_str().unwrap();
        let wanted = if wanted == "(no reply)" { "" } else { wanted.split([' ']).next().unwrap() };
        match step[1].as_str().unwrap() {
            "" | "(no reply)" => assert_eq!(reply, "", "{step}"),
            "-113,\"Undefined header[;ABCD]\"" => assert_eq!(reply, "-113,\"Undefined header;ABCD\"\n"),
            "0,\"No error\"" => assert_eq!(reply, "0,\"No error\"\n"),
            _ => assert_eq!(reply, format!("{wanted}\n"), "{step}"),
        }
    }
}

#[test]
fn minimum_and_maximum_can_be_asked_for() {
    let all = vectors();
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    for case in all["min_max_query"]["quoted_SCPI99_cases"].as_array().unwrap() {
        match case[0].as_str().unwrap() {
            "SYST:TIME? MAX,MAX,MAX" => {
                let reply = ask(&mut interpreter, &mut rig, "SYST:TIME? MAX,MAX,MAX");
                assert_eq!(reply.trim_end(), case[1].as_str().unwrap());
            }
            "SYST:TIME? MAX" => {
                assert_eq!(ask(&mut interpreter, &mut rig, "SYST:TIME? MAX"), "");
                assert_eq!(interpreter.status.queue.pop().unwrap().number, -109);
            }
            "VOLT? MAX" => assert_eq!(ask(&mut interpreter, &mut rig, "VOLT? MAX"), "6.0E+1\n"),
            _ => {
                ask(&mut interpreter, &mut rig, "VOLT 5;VOLT DEF");
                assert_eq!(rig.volt, 0.0);
            }
        }
    }
}

#[test]
fn the_queue_overflows_as_the_vectors_say() {
    let case = vectors()["queue"]["case_depth_4"].to_string();
    assert!(case.contains("push 5x -101 -> read: -101,-101,-101,-350,0"), "{case}");
    let mut queue = ErrorQueue::new(4);
    for _ in 0..5 {
        queue.push(ScpiError::new(-101));
    }
    let read: Vec<i16> = std::iter::from_fn(|| queue.pop()).map(|e| e.number).collect();
    assert_eq!(read, [-101, -101, -101, -350]);
}

#[test]
fn every_mandatory_common_command_is_there() {
    let all = vectors();
    for header in all["mandatory_common"].as_array().unwrap() {
        let (mut rig, mut interpreter) = (Rig::default(), interpreter());
        let header = header.as_str().unwrap();
        let argument = if matches!(header, "*ESE" | "*SRE") { " 1" } else { "" };
        let reply = ask(&mut interpreter, &mut rig, &format!("{header}{argument}"));
        assert_eq!(reply.is_empty(), !header.ends_with('?'), "{header}");
        assert!(interpreter.status.queue.is_empty(), "{header}");
    }
}

#[test]
fn the_vectors_instrument_headers_all_build_trees() {
    let all = vectors();
    for (role, headers) in all["instrument_headers_from_memory"].as_object().unwrap() {
        let Some(headers) = headers.as_array() else { continue };
        for (id, header) in headers.iter().enumerate() {
            let pattern = header.as_str().unwrap().split(' ').next().unwrap();
            let mut tree = wattproof_scpi::tree::Tree::default();
            tree.insert(pattern, id).unwrap_or_else(|e| panic!("{role}: {e}"));
        }
    }
    let mut tree = wattproof_scpi::tree::Tree::default();
    tree.insert("[SOURce:]FREQuency[:CW|:FIXed]", 3).unwrap();
    for path in
        [&["FREQ"][..], &["SOUR", "FREQ"], &["FREQ", "CW"], &["FREQ", "FIX"], &["SOURCE", "FREQ", "FIXED"]]
    {
        assert_eq!(tree.lookup(path, false).unwrap().id, 3, "{path:?}");
    }
    assert!(tree.lookup(&["FREQ", "CW", "FIX"], false).is_none());
}

#[test]
fn opc_query_waits_without_blocking_and_answers_once() {
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    assert_eq!(ask(&mut interpreter, &mut rig, "VOLT 3;:INIT;*OPC?;VOLT?"), "");
    assert_eq!(ask(&mut interpreter, &mut rig, "*IDN?"), "");
    assert!(interpreter.is_waiting());
    assert!(interpreter.poll(&mut rig).is_empty());
    rig.busy = false;
    assert_eq!(String::from_utf8(interpreter.poll(&mut rig)).unwrap(), format!("1;3.0E+0\n{IDN}\n"));
    assert!(interpreter.poll(&mut rig).is_empty());
}

#[test]
fn wai_holds_the_rest_back() {
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    assert_eq!(ask(&mut interpreter, &mut rig, "VOLT 1;VOLT?;:INIT;*WAI;VOLT 2"), "1.0E+0");
    assert_eq!(rig.volt, 1.0);
    rig.busy = false;
    assert_eq!(interpreter.feed(&mut rig, b""), b"\n");
    assert_eq!(rig.volt, 2.0);
}

#[test]
fn opc_sets_its_event_when_the_operation_ends() {
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    ask(&mut interpreter, &mut rig, "*CLS;INIT;*OPC");
    assert_eq!(ask(&mut interpreter, &mut rig, "*ESR?;STAT:OPER:COND?"), "0;8\n");
    rig.busy = false;
    assert_eq!(ask(&mut interpreter, &mut rig, "*ESR?;STAT:OPER:COND?;EVEN?"), "1;0;8\n");
    // *CLS cancels *OPC (IEEE 488.2 10.3, memory).
    ask(&mut interpreter, &mut rig, "INIT;*OPC;*CLS");
    rig.busy = false;
    assert_eq!(ask(&mut interpreter, &mut rig, "*ESR?"), "0\n");
}

#[test]
fn input_behind_a_wait_is_bounded_and_lost_whole() {
    let (mut rig, mut interpreter) = (Rig::default(), small(64));
    ask(&mut interpreter, &mut rig, "*CLS;INIT;*WAI");
    let flood = b"VOLT 1;VOLT?\n".repeat(1000);
    interpreter.feed(&mut rig, &flood);
    assert!(interpreter.held_bytes() <= 512, "{}", interpreter.held_bytes());
    rig.busy = false;
    let reply = String::from_utf8(interpreter.poll(&mut rig)).unwrap();
    // 64 bytes hold four messages of 13 bytes, and none is cut.
    assert_eq!(reply, "1.0E+0\n".repeat(4));
    assert_eq!(interpreter.status.queue.pop().unwrap().number, -363);
    assert_eq!(ask(&mut interpreter, &mut rig, "VOLT 2;VOLT?"), "2.0E+0\n");
}

#[test]
fn status_registers_latch_and_summarise() {
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    assert_eq!(ask(&mut interpreter, &mut rig, "*ESR?"), "128\n");
    ask(&mut interpreter, &mut rig, "*CLS");
    ask(&mut interpreter, &mut rig, "STAT:QUES:ENAB 2;*SRE 72");
    assert_eq!(ask(&mut interpreter, &mut rig, "*SRE?;*STB?"), "8;16\n");
    rig.questionable = 2;
    assert_eq!(ask(&mut interpreter, &mut rig, "*STB?"), "72\n");
    rig.questionable = 0;
    assert_eq!(ask(&mut interpreter, &mut rig, "STAT:QUES:COND?;EVEN?;EVEN?"), "0;2;0\n");
    ask(&mut interpreter, &mut rig, "STAT:PRES");
    assert_eq!(ask(&mut interpreter, &mut rig, "STAT:QUES:ENAB?;PTR?;NTR?"), "0;32767;0\n");
    let mut register = Register::default();
    register.set_filters(0, 0xFFFF);
    register.set_condition(0xFFFF);
    assert_eq!(register.take_event(), 0);
    register.set_condition(0);
    assert_eq!(register.take_event(), 0x7FFF);
}

#[test]
fn errors_take_back_replies_and_stop_where_they_should() {
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    // An execution error leaves the next unit to run; a command error does not.
    assert_eq!(ask(&mut interpreter, &mut rig, "*IDN?;HALF?;VOLT 4;VOLT?"), format!("{IDN};4.0E+0\n"));
    assert_eq!(interpreter.status.queue.pop().unwrap().number, -230);
    assert_eq!(ask(&mut interpreter, &mut rig, "VOLT?;NONSENSE;VOLT 9"), "4.0E+0\n");
    assert_eq!(rig.volt, 4.0);
    assert_eq!(interpreter.status.queue.pop().unwrap().number, -113);
    for (message, number) in [
        ("VOLT 61", -222),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("VOLT 1 A", -131),
        ("VOLT ABC", -141),
        ("VOLT 'x'", -158),
        ("VOLT #11x", -168),
        ("VOLT (1)", -178),
        ("OUTP 1V", -138),
        ("OUTP5 ON", -114),
        ("OUTP99999999999 ON", -114),
        ("VOLT 1,", -109),
        ("VOLT 1..2", -121),
        ("VOLT 1 2", -103),
        ("VOLT,1", -111),
        ("*ESE 256", -222),
        ("*ESE?1", -111),
        (":", -102),
        ("LAST?;*IDN?", -440),
    ] {
        ask(&mut interpreter, &mut rig, message);
        assert_eq!(interpreter.status.queue.pop().map(|e| e.number), Some(number), "{message}");
        assert!(interpreter.status.queue.is_empty());
    }
}

#[test]
fn a_message_that_is_too_long_is_one_error() {
    for (message, number) in [("DATA #3500", -223), ("DATA \"", -223), ("DATA #0", -223), ("DATA 1", -363)] {
        for chunk in [1, 7, 10_000] {
            let (mut rig, mut interpreter) = (Rig::default(), small(100));
            let mut bytes = message.as_bytes().to_vec();
            bytes.extend([b'1'; 500]);
            bytes.extend(b"\nVOLT 5\n");
            for piece in bytes.chunks(chunk) {
                interpreter.feed(&mut rig, piece);
                assert!(interpreter.held_bytes() <= 400);
            }
            assert_eq!(rig.volt, 5.0, "{message}");
            assert_eq!(
                interpreter.status.queue.pop().map(|e| e.number),
                Some(number),
                "{message} by {chunk}"
            );
            assert!(interpreter.status.queue.is_empty());
        }
    }
}

#[test]
fn clear_forgets_input_and_keeps_settings() {
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    ask(&mut interpreter, &mut rig, "VOLT 7");
    interpreter.feed(&mut rig, b"VOLT 9;DATA #9999999999abc");
    interpreter.clear();
    assert_eq!(ask(&mut interpreter, &mut rig, "VOLT?"), "7.0E+0\n");
}

#[test]
fn two_patterns_for_one_header_are_refused() {
    let mut commands = rig::commands();
    commands.extend(rig::commands());
    let refused = Interpreter::new(IDN, commands).err().unwrap();
    assert!(refused.to_string().contains("*EMC"));
    for pattern in ["", "[VOLTage]", "volt", "VOLTage[:LEVel", "VoLT", "VOLT:", "A B"] {
        let mut tree = wattproof_scpi::tree::Tree::default();
        let result = tree.insert(pattern, 0);
        assert_eq!(result.is_err(), pattern != "VOLT:", "{pattern}");
    }
}

#[test]
fn reset_and_numbered_outputs() {
    let (mut rig, mut interpreter) = (Rig::default(), interpreter());
    assert_eq!(ask(&mut interpreter, &mut rig, "outp3:stat on;stat?;:outp3?;:OUTPUT?"), "1;1;0\n");
    ask(&mut interpreter, &mut rig, "*RST");
    assert_eq!(rig.outputs, [false; 4]);
}

#[test]
fn register_bits_are_where_the_vectors_put_them() {
    use wattproof_scpi::{standard::event_bit, status};
    let all = vectors();
    let registers = &all["registers"];
    // Each named bit of the event register, and an error (or constant) that must set it.
    for (name, bit) in [
        ("OPC", status::ESR_OPC),
        ("PON", status::ESR_PON),
        ("RQC", 1 << event_bit(-700).unwrap()),
        ("QYE", 1 << event_bit(-410).unwrap()),
        ("DDE", 1 << event_bit(-300).unwrap()),
        ("EXE", 1 << event_bit(-222).unwrap()),
        ("CME", 1 << event_bit(-113).unwrap()),
        ("URQ", 1 << event_bit(-600).unwrap()),
    ] {
        assert_eq!(registers["ESR"][bit.trailing_zeros().to_string()].as_str().unwrap(), name);
    }
    for (name, bit) in [
        ("error/event queue not empty", status::STB_QUEUE),
        ("QUEStionable summary", status::STB_QUESTIONABLE),
        ("MAV", status::STB_MAV),
        ("ESB", status::STB_ESB),
        ("RQS/MSS", status::STB_MSS),
        ("OPERation summary", status::STB_OPERATION),
    ] {
        assert_eq!(registers["STB"][bit.trailing_zeros().to_string()].as_str().unwrap(), name);
    }
    // Bit 15 of the SCPI registers is always 0; the others can all be set.
    for register in ["OPERation", "QUEStionable"] {
        assert_eq!(registers[register]["15"].as_str().unwrap(), "always 0");
    }
    let mut register = Register::default();
    register.set_condition(0xFFFF);
    assert_eq!(register.condition(), 0x7FFF);
}
