//! The class page from books of three sizes: 100 days of a class of 30 with one take a pupil a day, then three classes, then
//! a year of three classes with four takes a pupil a day (some 70,000 takes).

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use pailbeat::book::Book;
use pailbeat::report::page;

#[path = "../scripts/simulating/school.rs"]
mod school;

/// Classes, days, takes a pupil a day.
const SIZES: [(usize, i64, usize); 3] = [(1, 100, 1), (3, 100, 1), (3, 200, 4)];
const PUPILS: usize = 30;
const SEED: u64 = 5;

fn class_page(c: &mut Criterion) {
    let mut group = c.benchmark_group("class_page");
    group.sample_size(10);
    for (classes, days, a_day) in SIZES {
        let Ok(folder) = tempfile::tempdir() else { return };
        let Ok(book) = Book::create(folder.path()) else { return };
        let Ok(now) = school::fill(&book, classes, PUPILS, days, a_day, SEED) else { return };
        let takes = book.takes(None).map_or(0, |t| t.len());
        group.bench_function(BenchmarkId::from_parameter(format!("{takes} takes")), |b| {
            b.iter(|| {
                book.class_view("Class 3b", black_box(now)).map(|view| page::class::page(&view)).map(|html| html.len())
            });
        });
    }
    group.finish();
}

criterion_group!(benches, class_page);
criterion_main!(benches);
