//! The usual day over zones and clock changes, against another implementation of time zones.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use alvine_dayplan::{Facts, Protocol, Sites, plan, zone};
use alvine_tests::Table;
use jiff::Timestamp;

#[test]
fn moments_of_the_usual_day_are_those_that_zoneinfo_gives() {
    let table = Table::read("tests/data/dayplan_zoneinfo.csv");
    assert_eq!(table.len(), 240);
    for row in 0..table.len() {
        let name = table.text(row, "zone");
        let seconds = |column| table.text(row, column).parse::<i64>().unwrap();
        let swallow = Timestamp::from_second(seconds("swallow_s")).unwrap();
        let facts = Facts {
            swallow: swallow.to_zoned_datetime(zone(name).unwrap()),
            sites: Sites::Belt,
            battery: None,
            asked: None,
            next_use: None,
        };
        let plan = plan(&Protocol::usual(), &facts).unwrap();
        for (column, id) in [
            ("last_solids_s", "last-solids"),
            ("fast_s", "fast"),
            ("last_medicines_s", "last-medicines"),
            ("snack_s", "snack"),
            ("end_s", "end"),
        ] {
            let step = plan.steps.iter().find(|step| step.id == id).unwrap();
            assert_eq!(
                step.start.timestamp().as_second(),
                seconds(column),
                "row {row}, {name}, {id}"
            );
        }
    }
}
