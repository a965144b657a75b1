//! Fills a class book with a simulated school and measures the class page:
//! `cargo run --release --example school -- FOLDER [CLASSES PUPILS DAYS TAKES_A_DAY]`.

#[path = "../simulating/school.rs"]
mod school;

use std::io::Write as _;
use std::time::Instant;

use pailbeat::book::Book;
use pailbeat::report::page;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let folder = std::path::PathBuf::from(args.next().ok_or("name a folder for the book")?);
    let numbers: Vec<usize> = args.map(|a| a.parse()).collect::<Result<_, _>>()?;
    let number = |k: usize, otherwise: usize| numbers.get(k).copied().unwrap_or(otherwise);
    let book = Book::create(&folder)?;
    let begun = Instant::now();
    let now = school::fill(&book, number(0, 3), number(1, 30), number(2, 60) as i64, number(3, 1), 5)?;
    let mut out = std::io::stdout().lock();
    writeln!(out, "filled in {:.1} s", begun.elapsed().as_secs_f64())?;
    let first = book.classes()?.into_iter().next().ok_or("no class")?;
    for _ in 0..3 {
        let begun = Instant::now();
        let html = page::class::page(&book.class_view(&first, now)?);
        writeln!(out, "class page: {:.0} ms", begun.elapsed().as_secs_f64() * 1e3)?;
        std::fs::write(folder.join("pages/class.html"), html)?;
    }
    let pupil = book.pupil_view("Wren", now).or_else(|_| book.pupil_view("Avocet", now))?;
    std::fs::write(folder.join("pages/pupil.html"), page::progress::page(&pupil))?;
    std::fs::write(folder.join("pages/child.html"), page::progress::child(&pupil))?;
    let size = std::fs::metadata(folder.join(pailbeat::book::FILE))?.len();
    writeln!(out, "{} takes, {:.1} MB", book.takes(None)?.len(), size as f64 / 1e6)?;
    Ok(())
}
