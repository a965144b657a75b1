//! What a whole part file comes to, worked by hand.

use super::*;

const HEAD: &str = "title = \"T\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 120 }\n";

fn part(text: &str) -> Part {
    match parse(text) {
        Ok(part) => part,
        Err(errors) => panic!("{}", errors.iter().map(|e| e.render("part.toml", text)).collect::<String>()),
    }
}

fn one(strokes: &str) -> Timeline {
    let part = part(&format!("{HEAD}form = \"A\"\n[sections.A]\n{strokes}\n"));
    part.timeline(None, part.range.start).unwrap()
}

/// Line, column and message of every error.
fn wrong(text: &str) -> Vec<(u32, u32, String)> {
    parse(text).unwrap_err().into_iter().map(|e| (e.line, e.column, e.message)).collect()
}

/// The same for rows of one section `A`; rows begin at line 6.
fn wrong_rows(rows: &str) -> Vec<(u32, u32, String)> {
    wrong(&format!("{HEAD}form = \"A\"\n[sections.A]\n{rows}\n"))
}

const LANTERN: &str = r#"title = "Lantern Parade"
meter = "4/4"
bpm   = { start = 66, goal = 96 }      # quarter notes a minute
form  = "A A B B"

[sections.A]
strokes = "|: oxx. o.x. :|2 ooxo oxoo | O.-- X.-- |"

[sections.B]
strokes = "+.xx +.o. | xx+. o.-- | +.xx +.o. | X.O. x--- |"
"#;

#[test]
fn the_lantern_parade_comes_to_what_a_player_counts() {
    let part = part(LANTERN);
    let line = part.timeline(None, Bpm::new(60.0).unwrap()).unwrap();
    // A: 5 + 5 + 8 + 2 strokes in 4 bars; B: 5 + 4 + 5 + 3 in 4.
    assert_eq!((line.strokes.len(), line.bars.len(), line.passes.len()), (2 * 20 + 2 * 17, 16, 4));
    assert_eq!(line.end(), Ticks(16 * 4 * 960));
    let first: Vec<f64> = (0..6).map(|i| line.expected(i).unwrap().get()).collect();
    for (got, by_hand) in first.iter().zip([0.0, 0.5, 1.0, 2.0, 3.0, 4.0]) {
        assert!((got - by_hand).abs() < 1e-12, "{first:?}");
    }
    assert_eq!(line.bars[1].repeat, Some((0, 1)));
    assert_eq!((line.passes[1].section.as_str(), line.passes[1].number, line.passes[1].bars.clone()), ("A", 2, 4..8));
    // Bar 4 of A: O.-- X.--: both hands on beats 1 and 3, a rest of one beat on 2 and on 4.
    let rests: Vec<(f64, f64)> = line.rests.iter().take(2).map(|r| (r.from.quarters(), r.to.quarters())).collect();
    assert_eq!(rests, [(13.0, 14.0), (15.0, 16.0)]);
    assert_eq!(line.strokes[18].hands, Hands::Both);
    assert_eq!((line.strokes[18].surface, line.strokes[19].surface), (Surface::Centre, Surface::Rim));
    assert!((line.beat(19) - 3.0).abs() < 1e-12);
    assert_eq!(line.bars[3].strokes, 18..20);
}

#[test]
fn cells_share_their_bar_evenly_in_every_meter() {
    let check = |meter: &str, strokes: &str, quarters: &[f64]| {
        let part = part(&format!(
            "title = \"T\"\nmeter = \"{meter}\"\nbpm = {{ start = 60, goal = 60 }}\nform = \"A\"\n[sections.A]\nstrokes = \"{strokes}\"\n"
        ));
        let line = part.timeline(None, part.range.start).unwrap();
        let got: Vec<f64> = line.strokes.iter().map(|s| s.at.quarters()).collect();
        assert_eq!(got.len(), quarters.len(), "{strokes}");
        assert!(got.iter().zip(quarters).all(|(a, b)| (a - b).abs() < 1e-9), "{strokes}: {got:?}");
    };
    check("2/4", "oo | o.x.", &[0.0, 1.0, 2.0, 3.0]);
    check("3/4", "o.x.x. | ooo", &[0.0, 1.0, 2.0, 3.0, 4.0, 5.0]);
    check("4/4", "ooo... ...... | ooooo... ........", &[0.0, 1.0 / 3.0, 2.0 / 3.0, 4.0, 4.25, 4.5, 4.75, 5.0]);
    check("6/8", "o.xo.x | xx", &[0.0, 1.0, 1.5, 2.5, 3.0, 4.5]);
}

#[test]
fn a_form_may_be_asked_for_beside_the_file() {
    let part = part(LANTERN);
    let bpm = part.range.goal;
    assert_eq!(part.timeline(Some("B A"), bpm).unwrap().strokes.len(), 37);
    let errors = part.timeline(Some("A  C"), bpm).unwrap_err();
    assert_eq!((errors[0].origin, errors[0].column), (Origin::Form, 4));
    assert_eq!(
        errors[0].render("x", "A  C"),
        "form:4: the form names section `C`, which is not written\n    A  C\n       ^\nhint: sections written: `A`, `B`\n"
    );
    assert!(part.timeline(Some("AABB"), bpm).unwrap_err()[0].hint.contains("`A A B B`"));
    assert!(part.timeline(Some("  "), bpm).is_err());
}

#[test]
fn rests_merge_over_bar_lines_and_rings_do_not_count() {
    let rests = |strokes: &str| -> Vec<(f64, f64)> {
        one(strokes).rests.iter().map(|r| (r.from.quarters(), r.to.quarters())).collect()
    };
    assert_eq!(rests("strokes = \"o.-- ---- | --o. x...\""), [(1.0, 5.0)]);
    assert_eq!(rests("strokes = \"o... ...- | o...\""), [(3.5, 4.0)]);
    assert_eq!(rests("strokes = \"|: o--- :|2 o...\""), [(1.0, 4.0), (5.0, 8.0)]);
}

#[test]
fn hands_and_levels_run_cell_for_cell() {
    let line = one("strokes = \"ox.x Ox-- | oooo\"\nhands = \"RL.R BR.. | B.RL\"\nlevel = \"p.<< <.f. | ....\"");
    use Hand::*;
    let hands: Vec<Hands> = line.strokes.iter().map(|s| s.hands).collect();
    assert_eq!(hands[..5], [Hands::One(Right), Hands::One(Left), Hands::One(Right), Hands::Both, Hands::One(Right)]);
    assert_eq!(hands[5..], [Hands::Both, Hands::Either, Hands::One(Right), Hands::One(Left)]);
    use Dynamic::*;
    let levels: Vec<Option<Dynamic>> = line.strokes.iter().map(|s| s.level).collect();
    assert_eq!(
        levels,
        [
            Some(Piano),
            Some(Piano),
            Some(Piano),
            Some(Piano),
            // Where a swell has led to nobody has written.
            None,
            Some(Forte),
            Some(Forte),
            Some(Forte),
            Some(Forte)
        ]
    );
    assert_eq!(line.swells, [Swell { from: Ticks(960), to: Ticks(5 * 480), rising: true }]);
}

#[test]
fn a_swell_goes_on_through_ringing_strokes_and_over_bar_lines_but_not_back_to_a_repeat() {
    let swells = |rows: &str| -> Vec<(f64, f64, bool)> {
        one(rows).swells.iter().map(|s| (s.from.quarters(), s.to.quarters(), s.rising)).collect()
    };
    assert_eq!(swells("strokes = \"o.o. o.o.\"\nlevel = \"<.<. <.<.\""), [(0.0, 4.0, true)]);
    assert_eq!(swells("strokes = \"oooo | oooo\"\nlevel = \"..<< | <<>>\""), [(2.0, 6.0, true), (6.0, 8.0, false)]);
    assert_eq!(swells("strokes = \"|: oooo :|\"\nlevel = \"<<<<\""), [(0.0, 4.0, true), (4.0, 8.0, true)]);
    assert_eq!(swells("strokes = \"oooo oooo\"\nlevel = \"<<.. <<..\""), [(0.0, 1.0, true), (2.0, 3.0, true)]);
}

#[test]
fn rows_without_bar_lines_are_counted_through() {
    let line = one("strokes = \"oo | xxxx\"\nhands = \"RL RLRL\"");
    assert!(line.strokes.iter().all(|s| s.hands != Hands::Either));
}

#[test]
fn syllables_say_the_same_as_cells() {
    let cells =
        one("strokes = \"o... xxx. | oxxo X.-- | |: o.o. o.o. :|3\"\nhands = \"R... RLR. | .... .... | R.L. R.L.\"");
    let said = one("syllables = \"too ti-ti ta | tika-tika ta sh sh\"");
    assert_eq!(said.bars.len(), 2);
    let said = one(
        "syllables = \"ta-a ti-ti ta | ti-ti ti-ti ta sh | |: ta ta ta ta :|3\"\nsurfaces = \"oxxx | oxxoX | oooo\"\nhands = \"RRLR | ..... | RLRL\"",
    );
    assert_eq!(said.strokes, cells.strokes);
    assert_eq!(said.rests, cells.rests);
    assert_eq!(said.bars, cells.bars);
}

#[test]
fn every_error_of_a_file_is_given_at_once_at_its_place() {
    let text = "title = 3\nmeter = \"4/5\"\nbpm = { start = 96, goal = 66 }\nform = \"A Q\"\nforn = 1\n[sections.A]\nstrokes = \"o.?. |: x\"\nhands = \"R.L. | R\"\n";
    assert_eq!(
        wrong(text),
        [
            (1, 9, "`title` is a whole number, expected a text in quotes".into()),
            (2, 9, "`4/5` is not a meter".into()),
            (3, 7, "`bpm` starts at 96 above its goal 66".into()),
            (4, 11, "the form names section `Q`, which is not written".into()),
            (5, 1, "unknown name `forn`".into()),
            (7, 14, "`?` is not a cell".into()),
            (7, 17, "a repeat begins here and never ends".into()),
        ]
    );
}

#[test]
fn a_slip_in_a_row_is_shown_under_the_cell() {
    assert_eq!(wrong_rows("strokes = \"oxx.o.x | oxx. o.x.\""), [(6, 12, "7 cells do not fit a 4/4 bar".into())]);
    assert_eq!(
        wrong_rows("strokes = \"Ox.- o.x.\"\nhands = \"LRLR ....\""),
        [
            (7, 10, "`L` contradicts a capital letter, which is both hands".into()),
            (7, 12, "hand `L` where nothing is struck".into()),
            (7, 13, "hand `R` on a rest".into()),
        ]
    );
    assert_eq!(
        wrong_rows("strokes = \"o.x. o.x. | oooo\"\nhands = \"R.L. R.L | RLRL\""),
        [(7, 10, "`hands` has 7 cells in bar 1 where 8 are written".into())]
    );
    assert_eq!(wrong_rows("strokes = \"o.x. o.x.\"\nlevel = \"p... q...\""), [(7, 15, "`q` is not a level".into())]);
    assert_eq!(wrong_rows("strokes = \"\""), [(6, 11, "section `A` is empty".into())]);
    assert_eq!(wrong_rows("hands = \"R\""), [(5, 11, "section `A` has no strokes".into())]);
    assert_eq!(
        wrong_rows("stroke = \"o.x.\""),
        [(5, 11, "section `A` has no strokes".into()), (6, 1, "unknown name `stroke`".into())]
    );
    assert_eq!(wrong_rows("syllables = \"ta ta ta\""), [(6, 14, "these words last 3 quarters, a 4/4 bar 4".into())]);
    assert_eq!(wrong_rows("syllables = \"ta ta taa ta\""), [(6, 20, "`taa` is not a rhythm word".into())]);
}

#[test]
fn rows_may_span_lines_and_errors_still_find_their_column() {
    let rows = "strokes = \"\"\"\no.x. o.x. |\n  o.x. o?x.\n\"\"\"";
    assert_eq!(wrong_rows(rows), [(8, 9, "`?` is not a cell".into())]);
    assert_eq!(one(&rows.replace('?', ".")).bars.len(), 2);
}

#[test]
fn what_is_allowed_but_looks_like_a_slip_is_a_warning() {
    let text = format!(
        "{HEAD}form = \"A\"\n[sections.A]\nstrokes = \"o.-. oooo\"\nlevel = \".... <...\"\n[sections.B]\nstrokes = \"o\"\n"
    );
    let warnings: Vec<(u32, u32, String)> =
        part(&text).warnings.into_iter().map(|w| (w.line, w.column, w.message)).collect();
    assert_eq!(
        warnings,
        [
            (6, 15, "`.` after a rest: nothing sounds that could go on".into()),
            (7, 15, "a swell through 1 stroke cannot be heard".into()),
            (8, 11, "section `B` is not in the form".into()),
        ]
    );
}

#[test]
fn a_form_that_would_play_for_hours_is_refused_without_being_unrolled() {
    let form = "A ".repeat(300);
    let text = format!("{HEAD}form = \"{form}\"\n[sections.A]\nstrokes = \"|: oooo oooo :|99\"\n");
    assert_eq!(wrong(&text)[0].2, "the form comes to 237600 strokes in 29700 bars");
    let bars = "|: o :|99".repeat(2000);
    assert!(wrong_rows(&format!("strokes = \"{bars}\""))[0].2.starts_with("the form comes to 198000 strokes"));
}

#[test]
fn a_byte_order_mark_and_windows_line_ends_change_nothing() {
    let text = format!("\u{feff}{}", LANTERN.replace('\n', "\r\n"));
    assert_eq!(part(&text).sections, part(LANTERN).sections);
}

#[test]
fn an_echo_drill_is_told_from_a_part() {
    let errors = wrong(include_str!("../../reference_takes/lantern-echoes.toml"));
    assert_eq!(errors.len(), 1, "{errors:?}");
    assert_eq!(errors[0].2, "these are the calls of an echo drill, not a part");
}

#[test]
fn broken_toml_is_reported_with_its_line() {
    let errors = wrong(
        "title = \"T\nmeter = \"4/4\"\nbpm = { start = 60, goal = 80 }\nform = \"A\"\n[sections.A]\nstrokes = \"o\"\n",
    );
    assert_eq!(errors[0].0, 1, "{errors:?}");
    assert!(errors[0].2.starts_with("not readable as TOML"), "{errors:?}");
    assert!(!wrong("").is_empty());
    assert!(!wrong(&"[".repeat(100_000)).is_empty());
    assert!(!wrong("RIFF\u{0}\u{1}WAVEfmt ").is_empty());
}

mod any {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_text_makes_the_reader_panic(text in "\\PC*") {
            let _ = parse(&text);
        }

        #[test]
        fn no_row_makes_the_reader_panic(row in "[oxX+cp.\\-|: 0-9RL<>\\\\u]{0,40}", hands in "[RLB.| :]{0,40}", meter in "[0-9]{1,3}/[0-9]{1,3}") {
            let text = format!("title = \"T\"\nmeter = \"{meter}\"\nbpm = {{ start = 60, goal = 90 }}\nform = \"A A\"\n[sections.A]\nstrokes = \"{row}\"\nhands = \"{hands}\"\nlevel = \"{row}\"\n");
            match parse(&text) {
                Ok(part) => {
                    let line = part.timeline(None, part.range.start).unwrap();
                    prop_assert!(!played(&part, &line).is_empty());
                }
                Err(errors) => prop_assert!(!errors.is_empty() && errors.iter().all(|e| !e.message.is_empty() && !e.render("x", &text).is_empty())),
            }
        }

        #[test]
        fn cells_fill_their_bars_and_strokes_rise(bars in proptest::collection::vec((0usize..8, proptest::collection::vec(0usize..7, 32)), 1..6), times in 1u32..4, meter in 0usize..4) {
            let (meter, counts) = [("4/4", [1, 2, 4, 8, 12, 16, 24, 32]), ("3/4", [1, 3, 6, 9, 12, 18, 24, 6]), ("2/4", [1, 2, 4, 6, 8, 12, 16, 4]), ("6/8", [1, 2, 6, 12, 24, 6, 6, 6])][meter];
            let rows: Vec<String> = bars.iter().map(|(count, cells)| cells.iter().take(counts[*count]).map(|c| ["o", "x", "+", ".", "-", "O", "X"][*c]).collect()).collect();
            let text = format!("title = \"T\"\nmeter = \"{meter}\"\nbpm = {{ start = 60, goal = 60 }}\nform = \"A A\"\n[sections.A]\nstrokes = \"|: {} :|{times}\"\n", rows.join(" | "));
            let strokes = 2 * times as usize * rows.iter().flat_map(|r| r.chars()).filter(|c| !matches!(c, '.' | '-')).count();
            match parse(&text) {
                Err(_) => prop_assert_eq!(strokes, 0),
                Ok(part) => {
                    let line = part.timeline(None, part.range.start).unwrap();
                    prop_assert_eq!(line.strokes.len(), strokes);
                    prop_assert_eq!(line.bars.len(), 2 * times as usize * rows.len());
                    prop_assert!(line.strokes.windows(2).all(|w| w[0].at < w[1].at));
                    prop_assert!(part.sections[0].bars.iter().all(|b| b.cells.iter().map(|c| c.len.0).sum::<i64>() == part.meter.bar().0));
                    prop_assert!(line.rests.iter().all(|r| r.from < r.to) && line.rests.windows(2).all(|w| w[0].to < w[1].from));
                    prop_assert!(line.bars.iter().all(|b| line.strokes[b.strokes.clone()].iter().all(|s| s.at >= b.at && s.at < b.at + part.meter.bar())));
                }
            }
        }
    }
}
