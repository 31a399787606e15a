//! Region texts, layout files, and where they land on a picture.

use noise_measure::region::{
    Grid, Length, MAX_REGIONS, Rect, Region, RegionSpec, Role, default_regions, parse_crop, parse_grid,
    parse_layout, parse_regions, resolve,
};
use proptest::prelude::*;

const HD: Rect = Rect { x: 0, y: 0, width: 1920, height: 1080 };

fn place(text: &str, picture: Rect) -> Region {
    let specs = parse_regions(text).expect("a region");
    resolve(&specs, picture.width, picture.height, picture).remove(0)
}

fn problem<T: std::fmt::Debug>(result: Result<T, noise_measure::Error>) -> String {
    let text = result.expect_err("an error").to_string();
    assert!(!text.contains('\n'), "one line: {text}");
    text
}

#[test]
fn pixels_and_percent() {
    let specs = parse_regions(" grey=40%,45.5%,20%,9% ; a_1-B=0,1,2,3; mix=10,20%,30%,4;").expect("three");
    assert_eq!(specs.len(), 3);
    assert_eq!(specs[0].name, "grey");
    assert_eq!(specs[0].role, Some(Role::Grey));
    assert_eq!(specs[0].y, Length::Share(0.455));
    assert_eq!(specs[1].role, None);
    assert_eq!(specs[1].height, Length::Pixels(3.0));
    assert_eq!((specs[2].x, specs[2].width), (Length::Pixels(10.0), Length::Share(0.3)));
    assert_eq!(parse_regions("").expect("none"), []);
    assert_eq!(parse_regions(" ").expect("none"), []);
    for (name, role) in
        [("white", Some(Role::White)), ("black", Some(Role::Black)), ("edge", None), ("Grey", None)]
    {
        assert_eq!(parse_regions(&format!("{name}=0,0,1,1")).expect("one")[0].role, role);
    }
}

#[test]
fn refused_with_the_entry_and_what_would_be_right() {
    for (text, parts) in [
        ("grey", ["entry 1 \"grey\"", "NAME=X,Y,W,H"]),
        ("a=1,2,3,4;;b=1,2,3,4", ["entry 2", "NAME=X,Y,W,H"]),
        ("a=1,2,3", ["4 numbers, here are 3", "NAME=X,Y,W,H"]),
        ("a=1,2,3,4,5", ["here are 5", "NAME=X,Y,W,H"]),
        ("=1,2,3,4", ["name is missing", "letters"]),
        ("a b=1,2,3,4", ["' '", "letters, digits"]),
        ("ä=1,2,3,4", ["'ä'", "letters, digits"]),
        ("abcdefghijklmnopqrstuvwxyz0123456=1,2,3,4", ["33 bytes", "32 is the most"]),
        ("frame=1,2,3,4", ["\"frame\"", "reserved"]),
        ("r12c3=1,2,3,4", ["\"r12c3\"", "reserved"]),
        ("a=1,2,3,4;b=1,2,3,4;a=5,6,7,8", ["entry 3", "used before"]),
        ("a=1,2,nan,4", ["W \"nan\" is not a number", "percent"]),
        ("a=inf,2,3,4", ["X \"inf\"", "not a number"]),
        ("a=1,1e3,3,4", ["Y \"1e3\"", "not a number"]),
        ("a=1,,3,4", ["Y \"\"", "not a number"]),
        ("a=1,2%%,3,4", ["Y \"2%%\"", "not a number"]),
        ("a=1,.,3,4", ["Y \".\"", "not a number"]),
        ("a=-1,2,3,4", ["X is negative", "begins at 0"]),
        ("a=1,2,0,4", ["W is 0", "some size"]),
        ("a=1,2,3,0%", ["H is 0", "some size"]),
        ("a=1,2,110.1%,4", ["W is 110.1 %", "100 % is the most"]),
        ("a=1,2.5,3,4", ["Y is 2.5", "whole numbers"]),
    ] {
        let error = problem(parse_regions(text));
        for part in parts {
            assert!(error.contains(part), "{text}: {error}");
        }
    }
    // Names that only look like a cell's are free.
    for name in ["r1", "rc", "r1c", "rc1", "r1c1x", "R1C1", "frames", "abcdefghijklmnopqrstuvwxyz012345"] {
        assert!(parse_regions(&format!("{name}=1,2,3,4")).is_ok(), "{name}");
    }
    let many = |count: usize| (0..count).map(|i| format!("n{i}=0,0,1,1")).collect::<Vec<_>>().join(";");
    assert_eq!(parse_regions(&many(MAX_REGIONS)).expect("4096").len(), MAX_REGIONS);
    let error = problem(parse_regions(&many(5000)));
    assert!(error.contains("entry 4097") && error.contains("4096 is the most"), "{error}");
}

#[test]
fn places_on_a_picture() {
    let centre = resolve(&default_regions(), 1920, 1080, HD).remove(0);
    assert_eq!(centre.name, "centre");
    assert_eq!(centre.rect, Rect { x: 768, y: 432, width: 384, height: 216 });
    assert!(centre.inside);
    // Both edges are rounded, so that neighbours touch: 33.3 % of 10 at 3, 66.6 % at 7, 99.9 % at 10.
    let ten = Rect { width: 10, height: 10, ..HD };
    let thirds = |x: &str| {
        let Rect { x, width, .. } = place(&format!("a={x},0,33.3%,1"), ten).rect;
        (x, width)
    };
    assert_eq!([thirds("0%"), thirds("33.3%"), thirds("66.6%")], [(0, 3), (3, 4), (7, 3)]);
    // 14.5 % of 100 is a half exactly, though 0.145 has no exact binary form: it rounds up.
    assert_eq!(place("a=14.5%,0,1,1", Rect { width: 100, height: 1, ..HD }).rect.x, 15);
    assert_eq!(place("a=0,0,1,100%", HD).rect.height, 1080);
    let region = place("a=1919,1079,1,1", HD);
    assert!(region.inside);
}

#[test]
fn outside_is_marked_and_never_cut() {
    for (text, rect) in [
        ("a=1919,0,2,1", Rect { x: 1919, y: 0, width: 2, height: 1 }),
        ("a=5000,0,2,1", Rect { x: 5000, y: 0, width: 2, height: 1 }),
        ("a=0,90%,5,20%", Rect { x: 0, y: 972, width: 5, height: 216 }),
        ("a=0,0,0.01%,5", Rect { x: 0, y: 0, width: 0, height: 5 }),
        ("a=99999999999999,0,1,1", Rect { x: u32::MAX, y: 0, width: 1, height: 1 }),
    ] {
        let region = place(text, HD);
        assert_eq!((region.rect, region.inside), (rect, false), "{text}");
    }
}

#[test]
fn shares_count_in_the_active_part_and_pixels_in_the_picture() {
    let active = Rect { x: 240, y: 20, width: 1440, height: 1000 };
    let specs = parse_regions("share=50%,50%,50%,50%;pixel=10,20,30,40;mix=50%,0,10,10%").expect("three");
    let regions = resolve(&specs, 1920, 1080, active);
    assert_eq!(regions[0].rect, Rect { x: 960, y: 520, width: 720, height: 500 });
    assert_eq!(regions[1].rect, Rect { x: 10, y: 20, width: 30, height: 40 });
    assert_eq!(regions[2].rect, Rect { x: 960, y: 0, width: 10, height: 100 });
    assert!(regions.iter().all(|region| region.inside));
}

#[test]
fn layouts() {
    let specs = parse_layout(
        r#"{"regions":[
            {"name":"card","x":0.25,"y":0.5,"width":0.5,"height":0.125,"units":"fraction","role":"grey","reflectance":0.18},
            {"name":"white","x":1,"y":2,"width":3,"height":4},
            {"name":"black","x":1,"y":2,"width":3,"height":4,"units":"pixels","role":"flat","reflectance":null}]}"#,
    )
    .expect("three");
    let card = RegionSpec {
        name: "card".to_owned(),
        x: Length::Share(0.25),
        y: Length::Share(0.5),
        width: Length::Share(0.5),
        height: Length::Share(0.125),
        role: Some(Role::Grey),
        reflectance: Some(0.18),
    };
    assert_eq!(specs[0], card);
    assert_eq!(specs[1].role, Some(Role::White));
    assert_eq!(specs[1].height, Length::Pixels(4.0));
    assert_eq!(specs[2].role, Some(Role::Flat));
    assert_eq!(parse_layout(r#"{"regions":[]}"#).expect("none"), []);
    for role in Role::ALL {
        let json = format!(
            r#"{{"regions":[{{"name":"a","x":0,"y":0,"width":1,"height":1,"role":"{}"}}]}}"#,
            role.name()
        );
        assert_eq!(parse_layout(&json).expect("one")[0].role, Some(role));
    }
}

#[test]
fn layouts_refused_with_region_and_key() {
    let region = |extra: &str| format!(r#"{{"regions":[{{"name":"card",{extra}}}]}}"#);
    let whole = r#""x":0,"y":0,"width":1,"height":1"#;
    for (json, parts) in [
        ("{".to_owned(), ["layout: not JSON", "line 1"]),
        ("[]".to_owned(), ["a list", "regions"]),
        ("{}".to_owned(), ["no key `regions`", "write"]),
        (r#"{"regions":{}}"#.to_owned(), ["key `regions`", "an object"]),
        (r#"{"regions":[],"widht":1}"#.to_owned(), ["\"widht\"", "unknown key"]),
        (r#"{"regions":[3]}"#.to_owned(), ["region 1", "a number"]),
        (r#"{"regions":[{"x":1}]}"#.to_owned(), ["region 1", "no key `name`"]),
        (r#"{"regions":[{"name":5}]}"#.to_owned(), ["key `name`", "a text in quotes"]),
        (r#"{"regions":[{"name":"frame"}]}"#.to_owned(), ["key `name`", "reserved"]),
        (region(r#""x":0"#), ["region 1 \"card\"", "no key `y`"]),
        (region(&format!(r#"{whole},"widht":1"#)), ["region 1 \"card\"", "\"widht\""]),
        (region(&format!(r#"{whole},"role":"gray""#)), ["key `role`: \"gray\"", "flat, grey"]),
        (region(&format!(r#"{whole},"role":7"#)), ["key `role`", "a number"]),
        (region(&format!(r#"{whole},"units":"percent""#)), ["key `units`", "pixels or fraction"]),
        (region(&format!(r#"{whole},"reflectance":18"#)), ["key `reflectance` is 18", "0.18"]),
        (region(&format!(r#"{whole},"reflectance":-0.1"#)), ["key `reflectance`", "0..1"]),
        (region(r#""x":"0","y":0,"width":1,"height":1"#), ["key `x`", "a text"]),
        (region(r#""x":-1,"y":0,"width":1,"height":1"#), ["key `x`", "negative"]),
        (region(r#""x":0.4,"y":0,"width":1,"height":1"#), ["key `x` is 0.4", "\"units\":\"fraction\""]),
        (region(r#""x":0,"y":0,"width":0,"height":1"#), ["key `width`", "some size"]),
        (region(r#""x":0,"y":0,"width":40,"height":1,"units":"fraction""#), ["key `width`", "100 %"]),
        (region(r#""x":1e999,"y":0,"width":1,"height":1"#), ["layout", "number"]),
    ] {
        let error = problem(parse_layout(&json));
        for part in parts {
            assert!(error.contains(part), "{json}: {error}");
        }
    }
    let entry = |name: &str| format!(r#"{{"name":"{name}",{whole}}}"#);
    let error = problem(parse_layout(&format!(r#"{{"regions":[{},{}]}}"#, entry("a"), entry("a"))));
    assert!(error.contains("region 2 \"a\"") && error.contains("used before"), "{error}");
    let many: Vec<String> = (0..5000).map(|i| entry(&format!("n{i}"))).collect();
    let error = problem(parse_layout(&format!(r#"{{"regions":[{}]}}"#, many.join(","))));
    assert!(error.contains("4096 is the most"), "{error}");
}

#[test]
fn grids_and_crops() {
    assert_eq!(parse_grid(" 16x9 ").expect("a grid"), Grid { cols: 16, rows: 9 });
    assert_eq!(parse_grid("256x1").expect("a grid"), Grid { cols: 256, rows: 1 });
    for text in
        ["", "16", "16X9", "0x9", "16x0", "257x1", "-1x1", "1.5x2", "x", "1x1x1", "+1x2", "99999999999x1"]
    {
        let error = problem(parse_grid(text));
        assert!(
            error.starts_with("grid ") && (error.contains("1..256") || error.contains("COLSxROWS")),
            "{error}"
        );
    }
    assert_eq!(parse_crop("1, 2,3,4").expect("a crop"), Rect { x: 1, y: 2, width: 3, height: 4 });
    for text in [
        "",
        "1,2,3",
        "1,2,3,4,5",
        "1,2,0,4",
        "1,2,3,0",
        "-1,2,3,4",
        "1%,2,3,4",
        "1,2,3,4.5",
        "1,2,3,4294967296",
    ] {
        let error = problem(parse_crop(text));
        assert!(
            error.starts_with("crop ") && (error.contains("whole number") || error.contains("4 numbers")),
            "{error}"
        );
    }
}

proptest! {
    #[test]
    fn any_text_is_parsed_or_refused(text in "\\PC*", near in "[a-z0-9=,;%. x-]{0,40}", json in "[a-z0-9:\",{}\\[\\]. -]{0,60}") {
        for text in [&text, &near, &json] {
            for regions in [parse_regions(text), parse_layout(text)].into_iter().flatten() {
                prop_assert_eq!(resolve(&regions, 1920, 1080, HD).len(), regions.len());
            }
            let _ = (parse_grid(text), parse_crop(text));
        }
    }

    #[test]
    fn any_region_of_a_layout_is_parsed_or_refused(key in "name|x|y|width|height|units|role|reflectance|\\PC{1,5}", value in "[0-9]{1,25}|-?[0-9]\\.[0-9]e-?[0-9]{1,3}|\"\\PC{0,5}\"|null|true") {
        let json = format!(r#"{{"regions":[{{"name":"a","x":0,"y":0,"width":1,"height":1,{key:?}:{value}}}]}}"#);
        if let Ok(regions) = parse_layout(&json) {
            prop_assert_eq!(resolve(&regions, 64, 64, HD).len(), 1);
        }
    }

    #[test]
    fn percent_edges_are_the_definition(tenths in 0_u32..=1000, extent in 1_u32..=1000, size in 1_u32..10_000) {
        prop_assume!(tenths + extent <= 1000);
        let percent = |tenths: u32| format!("{}.{}%", tenths / 10, tenths % 10);
        let picture = Rect { x: 0, y: 0, width: size, height: 1 };
        let region = place(&format!("a={},0,{},1", percent(tenths), percent(extent)), picture);
        // ⌊p·size/100 + ½⌋ in whole numbers: p in tenths of a percent.
        let edge = |tenths: u32| (2 * tenths * size + 1000) / 2000;
        prop_assert_eq!(region.rect.x, edge(tenths));
        prop_assert_eq!(region.rect.x + region.rect.width, edge(tenths + extent));
        prop_assert_eq!(region.inside, region.rect.width > 0);
    }
}
