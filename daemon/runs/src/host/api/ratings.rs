//! Functions about what the nameplate claims.

use super::shapes::{CEILING, NAMEPLATE, RATING, RATING_RESULT};
use super::{Argument, By, Function, Gives, Key, Takes};

/// A claim of the nameplate.
const CLAIM: Key = Key {
    name: "rating",
    takes: Takes::Given(&RATING),
    needed: true,
    what: "one of `nameplate().ratings`",
    also: &[],
};

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "nameplate",
        arguments: &[],
        gives: Gives::Map(&NAMEPLATE),
        what: "The nameplate of the amplifier under test. Its ratings are those that this bench is wired for; the others are \
            in the record already, each with its reason.",
        fails: "",
        example: r#"for rating in nameplate().ratings {
    let claim = if "watts" in rating { `${rating.watts} W` } else { `${rating.out_vrms} V rms` };
    print(`${rating.number}: ${claim} into ${rating.load_ohm} ohm`);
}"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "find_ceiling",
        arguments: &[Argument::Plain(CLAIM)],
        gives: Gives::Map(&CEILING),
        what: "Searches the highest output that keeps the rating's distortion limit, at the load, supply and frequency that \
            are set (set those of the rating), and why it stops there. Each capture on the way is a step. The source is \
            switched on by the search and stays on at the level where it ended.",
        fails: "A search that comes to no end says what it saw; the script may catch that (`try`) and go on with the next \
            rating. Limits of the bench end the run.",
        example: r#"let rating = nameplate().ratings[0];
load(#{ ohm: rating.load_ohm });
supply(#{ volts_v: rating.supply_v, on: true });
source(#{ hz: rating.hz, driven: rating.driven });
settle();
let ceiling = find_ceiling(rating);
print(`${ceiling.power_w} W at ${ceiling.level_vrms} V rms: ${ceiling.cause}`);
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "record",
        arguments: &[
            Argument::Plain(CLAIM),
            Argument::Plain(Key {
                name: "ceiling",
                takes: Takes::Given(&CEILING),
                needed: true,
                what: "the answer of `find_ceiling` for that rating, unchanged",
                also: &[],
            }),
        ],
        gives: Gives::Map(&RATING_RESULT),
        what: "Judges a rating: measured power with its uncertainty at the rated load, the verdict with guard band, into \
            `ratings.csv`, `ratings.json` and `curve.csv`. Captures since the search began that serve the rating are \
            points of its curve.",
        fails: "A ceiling that was changed, or that belongs to another rating.",
        example: r#"let rating = nameplate().ratings[0];
load(#{ ohm: rating.load_ohm });
supply(#{ volts_v: rating.supply_v, on: true });
source(#{ hz: rating.hz, driven: rating.driven });
settle();
let judged = record(rating, find_ceiling(rating));
print(`${judged.measured_w} W ± ${judged.expanded_u_w} W: ${judged.verdict}`);
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
];
