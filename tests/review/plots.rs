//! The pictures: the values in each are those of the document, and each has its name and a description.

use std::process::Command;

use serde_json::Value;

use crate::frames::{captures, log};

fn part<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let start = text.find(from).unwrap_or_else(|| unreachable!("no {from}: {text}")) + from.len();
    &text[start..start + text[start..].find(to).expect("an end")]
}

fn data(svg: &str) -> Value {
    let text = part(svg, "<metadata class=\"data\"", "</metadata>");
    let text = &text[text.find('>').expect("a tag") + 1..];
    serde_json::from_str(&text.replace("&quot;", "\"")).expect("JSON")
}

#[test]
fn the_values_in_a_picture_are_those_of_the_document() {
    let folder = tempfile::tempdir().expect("folder");
    std::fs::write(folder.path().join("log.pcapng"), &captures(&log(7500), 1)[0]).expect("write");
    let output = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(["review", "--json", "--from", "log.pcapng", "--plots", "pictures"])
        .current_dir(folder.path())
        .output()
        .expect("the program runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let document: Value = serde_json::from_slice(&output.stdout).expect("a document");
    let picture = |name: &str| {
        let text = std::fs::read_to_string(folder.path().join("pictures").join(format!("{name}.svg")))
            .unwrap_or_else(|error| unreachable!("{name}: {error}"));
        assert!(part(&text, "<title id=\"title\">", "</title>").len() > 5);
        assert!(part(&text, "<desc id=\"text\">", "</desc>").len() > 50);
        assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
        text
    };
    let plots = &document["plots"];
    let curve = data(&picture("duration"));
    assert_eq!(curve, plots["duration"]);
    for phase in plots["voltage"].as_array().expect("phases") {
        let values = data(&picture(&format!("voltage-{}", phase["phase"].as_str().expect("a phase"))));
        assert_eq!((&values["export_W"], &values["voltage_V"]), (&phase["export_W"], &phase["voltage_V"]));
    }
    let event = data(&picture("worst-event"));
    assert_eq!(
        (&event["second"], &event["export_W"]),
        (&plots["worst_event"]["second"], &plots["worst_event"]["export_W"])
    );
    // The worst span by its energy is the first one of the list, and every reading of it is there.
    let worst = &document["over_limit"]["spans"][0];
    assert_eq!(worst["start"], plots["worst_event"]["from"]);
    let within = worst["duration_s"].as_f64().expect("a number").min(1800.0);
    let seconds: Vec<f64> =
        event["second"].as_array().expect("a list").iter().filter_map(Value::as_f64).collect();
    assert!(seconds.len() as f64 > within && seconds.windows(2).all(|pair| pair[1] > pair[0]), "{within}");
    // Heat map: one square for each hour of each day.
    let map = picture("export-by-hour");
    let squares: Vec<&str> = map.split("<rect class=\"hour\"").skip(1).collect();
    let days = document["by_day"].as_array().expect("days");
    assert_eq!(squares.len(), 24 * days.len());
    for square in squares {
        let text = |key: &str| part(square, &format!("data-{key}=\""), "\"").to_owned();
        let day = days.iter().find(|day| day["day"] == Value::String(text("day"))).expect("a day");
        let hour: usize = text("hour").parse().expect("an hour");
        let value: f64 = text("value").parse().expect("a number");
        assert_eq!(Some(value), day["export_by_hour_Wh"][hour].as_f64());
        // Not by its colour alone: the number stands in it.
        assert!(value < 0.5 || square.contains(&format!(">{value:.0}</text>")), "{square}");
    }
}
