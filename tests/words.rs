//! Every sentence that the program can print, read from its own source: to be read aloud, as the teacher of nine-year-olds who
//! gets it and as the child.
//!
//! `cargo test --test words -- --nocapture` prints them all, each with the function and the case that make it; with
//! `PAILBEAT_WORDS=book/` those of files whose path begins so. The sentences of a verdict, filled in, are printed by
//! `cargo test every_sentence -- --nocapture`.
#![allow(clippy::unwrap_used, clippy::print_stdout, reason = "a list to be read; a test may fail where it stands")]

use proc_macro2::{Delimiter, Literal, TokenStream, TokenTree};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// A text in the source, and what makes it.
struct Said {
    file: String,
    function: String,
    case: String,
    text: String,
}

/// What nobody says to a teacher or a child, and what to say instead.
const NOBODY_SAYS: [(&str, &str); 14] = [
    ("log odds", "how sure it is, in words"),
    ("nats", "how sure it is, in words"),
    ("onset", "strike"),
    ("alignment", "what was matched"),
    ("timeline", "the part"),
    ("invalid", "what is wrong with it"),
    ("illegal", "what is wrong with it"),
    ("failed to", "cannot"),
    ("please", "the way out itself"),
    ("successfully", "what was done"),
    ("oops", "what happened"),
    ("something else than", "another"),
    ("the ear has not been corrected", "nothing was set right"),
    ("it wins over", "it counts from now on"),
];

fn sources(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if path.is_dir() && name != "tests" {
            sources(&path, out);
        } else if name.ends_with(".rs") && !["tests.rs", "telling.rs", "pupil_played.rs"].contains(&name.as_str()) {
            out.push(path);
        }
    }
    out.sort();
}

fn value(literal: &Literal) -> Option<String> {
    syn::parse_str::<syn::LitStr>(&literal.to_string()).ok().map(|text| text.value())
}

/// Three words at least, and no code: not a drawing, a style, a query.
fn is_said(text: &str) -> bool {
    let mut outside = String::new();
    let mut depth = 0;
    for c in text.chars() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            c if depth == 0 => outside.push(c),
            _ => {}
        }
    }
    let words = outside.split_whitespace().filter(|w| w.chars().filter(|c| c.is_alphabetic()).count() > 1).count();
    let code = [
        "SELECT ",
        "INSERT ",
        "UPDATE ",
        "DELETE ",
        "CREATE ",
        "PRAGMA ",
        "<svg",
        "<rect",
        "<circle",
        "<path",
        "<line",
        "viewBox",
        "font-",
        "stroke=",
        "padding",
        "margin",
        "@media",
        "http-equiv",
    ];
    words > 2 && !code.iter().any(|c| text.contains(c))
}

struct Reader {
    file: String,
    /// Inside what the command line takes: comments on it are its help.
    helps: bool,
    function: String,
    said: Vec<Said>,
}

impl Reader {
    fn say(&mut self, case: &str, text: String) {
        if is_said(&text) {
            let case = case.split_whitespace().collect::<Vec<_>>().join(" ");
            let (file, function) = (self.file.clone(), self.function.clone());
            self.said.push(Said { file, function, case, text });
        }
    }

    fn read(&mut self, stream: TokenStream, above: &str) {
        let tokens: Vec<TokenTree> = stream.into_iter().collect();
        let mut case = String::new();
        let mut takes_arguments = false;
        let mut k = 0;
        while k < tokens.len() {
            match &tokens[k] {
                TokenTree::Punct(p) if p.as_char() == '#' => {
                    // An attribute: a test is left out with what it stands on, help is read.
                    k += usize::from(matches!(tokens.get(k + 1), Some(TokenTree::Punct(p)) if p.as_char() == '!'));
                    let Some(TokenTree::Group(attribute)) = tokens.get(k + 1) else { continue };
                    let text = attribute.stream().to_string();
                    if text.replace(' ', "") == "cfg(test)" {
                        while k < tokens.len() && !ends_item(&tokens[k]) {
                            k += 1;
                        }
                    } else {
                        takes_arguments |= text.starts_with("derive")
                            && ["Args", "Parser", "Subcommand", "ValueEnum"].iter().any(|d| text.contains(d));
                        let help = self.helps && text.starts_with("doc");
                        if let Some(TokenTree::Literal(help)) = attribute.stream().into_iter().nth(2).filter(|_| help)
                            && let Some(help) = value(&help)
                        {
                            self.say("help", help);
                        }
                        k += 1;
                    }
                    k += 1;
                    continue;
                }
                TokenTree::Ident(word) if word == "fn" => {
                    if let Some(TokenTree::Ident(name)) = tokens.get(k + 1) {
                        self.function = name.to_string();
                    }
                    case.clear();
                }
                TokenTree::Ident(word) => {
                    let _ = write!(case, " {word}");
                }
                TokenTree::Punct(p) if matches!(p.as_char(), ',' | ';') => case.clear(),
                TokenTree::Punct(p) => case.push(p.as_char()),
                TokenTree::Literal(literal) => match value(literal) {
                    Some(text) => self.say(if case.trim().is_empty() { above } else { &case }, text),
                    None => {
                        let _ = write!(case, " {literal}");
                    }
                },
                TokenTree::Group(group) => {
                    let inside = if case.trim().is_empty() { above.to_owned() } else { case.clone() };
                    let brace = group.delimiter() == Delimiter::Brace;
                    let helps = self.helps;
                    self.helps = brace && (takes_arguments || helps);
                    self.read(group.stream(), &inside);
                    self.helps = helps;
                    takes_arguments &= !brace;
                    match group.delimiter() {
                        Delimiter::Brace => case.clear(),
                        _ => case.push_str("()"),
                    }
                }
            }
            k += 1;
        }
    }
}

fn ends_item(token: &TokenTree) -> bool {
    match token {
        TokenTree::Group(group) => group.delimiter() == Delimiter::Brace,
        TokenTree::Punct(p) => p.as_char() == ';',
        _ => false,
    }
}

fn all() -> Vec<Said> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    let mut said = Vec::new();
    for path in files {
        let file = path.strip_prefix(&root).unwrap().to_str().unwrap().replace('\\', "/");
        let tokens: TokenStream = std::fs::read_to_string(&path).unwrap().parse().unwrap();
        let mut reader = Reader { file, helps: false, function: String::new(), said: Vec::new() };
        reader.read(tokens, "");
        said.extend(reader.said);
    }
    said
}

#[test]
fn no_sentence_says_what_nobody_would_say() {
    let only = std::env::var("PAILBEAT_WORDS").unwrap_or_default();
    let said = all();
    for one in said.iter().filter(|one| one.file.starts_with(&only)) {
        println!("{}\n    {} {} ({})", one.text.trim(), one.file, one.function, one.case);
    }
    for one in &said {
        let text = one.text.to_lowercase();
        for (word, instead) in NOBODY_SAYS {
            assert!(!text.contains(word), "`{}` in {} {}: say {instead}", one.text, one.file, one.function);
        }
    }
    // The list is of all rooms in which something is said.
    for room in
        ["assess/say/", "report/page/class/", "report/page/", "book/", "drill/", "cli/", "audio/", "part/", "take/"]
    {
        assert!(said.iter().filter(|one| one.file.starts_with(room)).count() > 3, "{room}");
    }
}
