//! Every group of `data/scpi_vectors.json`. Sources: see `data/README.md`; each group says whether it was read in
//! a published text or written from memory.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may fail the test")]

use serde_json::Value;
use wattproof_scpi::mnemonic::{Mnemonic, is_keyword, short_form};
use wattproof_scpi::tree::Tree;
use wattproof_scpi::{Element, Numeric, Param, Response, ResponseReader, message, number, unit};

fn vectors() -> Value {
    serde_json::from_str(include_str!("data/scpi_vectors.json")).unwrap()
}

fn cases<'a>(all: &'a Value, group: &str, key: &str) -> &'a Vec<Value> {
    let cases = all[group][key].as_array().unwrap();
    assert!(!cases.is_empty(), "{group}.{key}");
    cases
}

fn s(value: &Value) -> &str {
    value.as_str().unwrap()
}

/// The vectors write control bytes as `\n`, `\r`, `\0`… inside JSON text.
fn unescape(text: &str) -> Vec<u8> {
    let mut out = Vec::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match (c, c == '\\') {
            (_, true) => out.push(match chars.next().unwrap() {
                'n' => b'\n',
                'r' => b'\r',
                digit => u8::try_from(digit.to_digit(10).unwrap()).unwrap(),
            }),
            (c, false) => out.push(u8::try_from(c).unwrap()),
        }
    }
    out
}

#[test]
fn short_forms_follow_the_rule_and_the_patterns_capitals() {
    let all = vectors();
    for case in cases(&all, "short_form", "cases") {
        assert_eq!(short_form(s(&case[0])), s(&case[1]));
        assert_eq!(Mnemonic::new(s(&case[0])).unwrap().short(), s(&case[1]));
    }
}

#[test]
fn only_exactly_short_or_long_matches() {
    let all = vectors();
    for case in cases(&all, "mnemonic_match", "cases") {
        let name = Mnemonic::new(s(&case[0])).unwrap();
        assert_eq!(name.matches(s(&case[1])).is_some(), case[2].as_bool().unwrap(), "{case}");
        assert_eq!(is_keyword(s(&case[0]), s(&case[1])), case[2].as_bool().unwrap(), "{case}");
    }
}

#[test]
fn numeric_suffixes_are_read_and_default_to_one() {
    let all = vectors();
    for case in cases(&all, "numeric_suffix", "cases") {
        let mut tree = Tree::default();
        tree.insert(s(&case[0]), 7).unwrap();
        let path: Vec<&str> = s(&case[1]).split(':').collect();
        let found = tree.lookup(&path, false).map(|f| f.suffixes);
        let wanted: Option<Vec<u32>> = match &case[2] {
            Value::Null => None,
            Value::Array(list) => {
                Some(list.iter().map(|v| u32::try_from(v.as_u64().unwrap()).unwrap()).collect())
            }
            one => Some(vec![u32::try_from(one.as_u64().unwrap()).unwrap()]),
        };
        assert_eq!(found, wanted, "{case}");
    }
}

#[test]
fn optional_nodes_may_be_left_out() {
    let all = vectors();
    let group = &all["optional_nodes"];
    let mut tree = Tree::default();
    tree.insert(s(&group["pattern"]), 0).unwrap();
    for (key, wanted) in [("accept", true), ("reject", false)] {
        for header in cases(&all, "optional_nodes", key) {
            let unit = message::units(s(header).as_bytes()).next().unwrap().unwrap();
            assert_eq!(tree.lookup(&unit.path, unit.query).is_some(), wanted, "{header}");
        }
    }
}

#[test]
fn a_header_counts_from_the_node_before_it() {
    let all = vectors();
    for case in cases(&all, "path", "cases") {
        let headers: Vec<String> =
            message::units(s(&case[0]).as_bytes()).map(|unit| unit.unwrap().header()).collect();
        let wanted: Vec<String> = case[1]
            .as_array()
            .unwrap()
            .iter()
            .map(|full| s(full).split(' ').next().unwrap().to_owned())
            .collect();
        assert_eq!(headers, wanted, "{case}");
    }
}

#[test]
fn decimals_read_as_written() {
    let all = vectors();
    for case in cases(&all, "decimal", "cases") {
        let text = s(&case[0]);
        assert_eq!(number::parse_decimal(text.as_bytes()).unwrap(), (case[1].as_f64().unwrap(), text.len()));
    }
    for text in cases(&all, "decimal", "reject") {
        assert!(number::parse_decimal(s(text).as_bytes()).is_err(), "{text}");
        assert!(Param::parse(s(text).as_bytes()).is_err(), "{text}");
    }
}

#[test]
fn nondecimals_read_in_their_base() {
    let all = vectors();
    for case in cases(&all, "nondecimal", "cases") {
        let param = Param::parse(s(&case[0]).as_bytes()).unwrap();
        assert_eq!(param, Param::NonDecimal(case[1].as_u64().unwrap()), "{case}");
    }
}

#[test]
fn suffixes_scale_to_the_unit() {
    let all = vectors();
    for (name, factor) in all["suffix"]["table_7_2"].as_object().unwrap() {
        let power = unit::power_of_ten(&format!("{name}V"), "V").unwrap();
        assert_eq!(unit::scale(1.0, power), factor.as_f64().unwrap(), "{name}");
    }
    assert_eq!(unit::MULTIPLIERS.len(), all["suffix"]["table_7_2"].as_object().unwrap().len());
    for case in cases(&all, "suffix", "cases") {
        let param = Param::parse(s(&case[0]).as_bytes()).unwrap();
        assert_eq!(param.number(s(&case[1])).unwrap(), case[2].as_f64().unwrap(), "{case}");
    }
    let reject = cases(&all, "suffix", "reject");
    let wrong = Param::parse(s(&reject[0][0]).as_bytes()).unwrap();
    assert_eq!(i64::from(wrong.number("OHM").unwrap_err().number), reject[0][1].as_i64().unwrap());
    let unwanted = Param::parse(b"10V").unwrap();
    assert_eq!(i64::from(unwanted.number("").unwrap_err().number), reject[1][1].as_i64().unwrap());
}

#[test]
fn special_numbers_have_their_keywords_and_values() {
    let all = vectors();
    let group = &all["special_numbers"];
    assert_eq!(number::NAN, group["NAN"].as_f64().unwrap());
    assert_eq!(number::INFINITY, group["INFinity"].as_f64().unwrap());
    assert_eq!(-number::INFINITY, group["NINFinity"].as_f64().unwrap());
    for keyword in cases(&all, "special_numbers", "keywords") {
        for word in [s(keyword).to_owned(), short_of(s(keyword))] {
            let numeric = Param::Word(&word).numeric("V").unwrap();
            match s(keyword) {
                "MINimum" => assert_eq!(numeric, Numeric::Minimum),
                "MAXimum" => assert_eq!(numeric, Numeric::Maximum),
                "DEFault" => assert_eq!(numeric, Numeric::Default),
                "UP" => assert_eq!(numeric, Numeric::Up),
                "DOWN" => assert_eq!(numeric, Numeric::Down),
                "NAN" => assert!(matches!(numeric, Numeric::Value(v) if v.is_nan())),
                "INFinity" => assert_eq!(numeric, Numeric::Value(f64::INFINITY)),
                "NINFinity" => assert_eq!(numeric, Numeric::Value(f64::NEG_INFINITY)),
                other => panic!("unknown keyword {other}"),
            }
        }
    }
    for spelling in cases(&all, "special_numbers", "response_spellings") {
        let value = Response::from_bytes(s(spelling).as_bytes().to_vec()).number().unwrap();
        let wanted = if s(spelling).starts_with("9.91") {
            f64::NAN
        } else if s(spelling).starts_with('-') {
            f64::NEG_INFINITY
        } else {
            f64::INFINITY
        };
        assert!(value == wanted || value.is_nan() && wanted.is_nan(), "{spelling}");
    }
}

fn short_of(pattern: &str) -> String {
    pattern.chars().take_while(|c| !c.is_ascii_lowercase()).collect()
}

#[test]
fn booleans_take_words_and_rounded_numbers() {
    let all = vectors();
    for case in cases(&all, "boolean", "accept") {
        let value = Param::parse(s(&case[0]).as_bytes()).unwrap().boolean().unwrap();
        assert_eq!(u64::from(value), case[1].as_u64().unwrap(), "{case}");
    }
    // The rule's rounding: SCPI-1999 7.3, from memory.
    assert!(!Param::parse(b"0.4").unwrap().boolean().unwrap());
    assert!(Param::parse(b"-0.6").unwrap().boolean().unwrap());
    assert_eq!(Param::parse(b"MAYBE").unwrap().boolean().unwrap_err().number, -141);
}

#[test]
fn strings_undo_their_quotes() {
    let all = vectors();
    for case in cases(&all, "strings", "cases") {
        let param = Param::parse(s(&case[0]).as_bytes()).unwrap();
        assert_eq!(param.string().unwrap(), s(&case[1]), "{case}");
    }
    for text in cases(&all, "strings", "reject") {
        assert_eq!(Param::parse(s(text).as_bytes()).unwrap_err().fault.number(), -151, "{text}");
    }
}

#[test]
fn blocks_are_cut_by_their_length() {
    let all = vectors();
    for case in cases(&all, "blocks", "definite") {
        let text = unescape(s(&case[0]));
        let wanted = match s(&case[1]) {
            "00010203 hex" => vec![0, 1, 2, 3],
            text => unescape(text),
        };
        assert_eq!(Param::parse(&text).unwrap().block().unwrap(), wanted, "{case}");
        // The same bytes as a response, off the wire.
        let mut wire = text.clone();
        wire.push(b'\n');
        let response = ResponseReader::new(100).next(&mut wire.as_slice()).unwrap().unwrap();
        assert_eq!(response.block().unwrap(), wanted, "{case}");
    }
    for case in cases(&all, "blocks", "indefinite") {
        let wire = unescape(s(&case[0]));
        let response = ResponseReader::new(100).next(&mut wire.as_slice()).unwrap().unwrap();
        assert_eq!(response.only().unwrap(), Element::Block(s(&case[1]).as_bytes()), "{case}");
    }
    for text in cases(&all, "blocks", "reject") {
        if s(text).starts_with("#0AB without NL") {
            assert!(ResponseReader::new(100).next(&mut b"#0AB".as_slice()).is_none());
            continue;
        }
        let fault = Param::parse(s(text).as_bytes()).unwrap_err().fault;
        assert_eq!(fault.number(), -161, "{text}");
    }
}
