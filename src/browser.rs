//! [`crate::pupil`] as the page's own code calls it, through wasm-bindgen: rows go to and fro as JSON, samples as arrays
//! of floats, and what is refused is thrown as an error whose message is for the reader.

use wasm_bindgen::prelude::*;

use crate::chain::{Samples, quietly};
use crate::part::Surface;
use crate::pupil::{Handed, Pupil, Refused};
use crate::units::{SampleRate, Seconds};

/// A pupil at the page.
#[wasm_bindgen]
pub struct Page(Pupil);

fn thrown(refused: impl std::fmt::Display) -> JsError {
    JsError::new(&refused.to_string())
}

fn read<T: serde::de::DeserializeOwned>(json: &str) -> Result<T, JsError> {
    serde_json::from_str(json).map_err(thrown)
}

fn hertz(rate: u32) -> Result<SampleRate, JsError> {
    SampleRate::new(rate).ok_or_else(|| thrown("0 samples a second"))
}

/// `centre,rim,click`.
fn named(surfaces: &str) -> Result<Vec<Surface>, JsError> {
    surfaces.split(',').filter(|word| !word.is_empty()).map(Surface::named).collect::<Result<_, _>>().map_err(thrown)
}

#[wasm_bindgen]
impl Page {
    /// From what was handed out.
    ///
    /// # Errors
    /// As [`Pupil::new`].
    #[wasm_bindgen(constructor)]
    pub fn new(handed: &str) -> Result<Page, JsError> {
        Ok(Page(Pupil::new(read::<Handed>(handed)?).map_err(thrown)?))
    }

    /// [`crate::report::page::typeface`].
    pub fn typeface(&self, bold: bool) -> Vec<u8> {
        crate::report::page::typeface(bold).to_vec()
    }

    /// [`Pupil::choices`].
    ///
    /// # Errors
    /// As there.
    pub fn choices(&self) -> Result<String, JsError> {
        self.0.choices().map_err(thrown)
    }

    /// [`Pupil::plan`].
    ///
    /// # Errors
    /// As there.
    pub fn plan(&self, wish: &str) -> Result<String, JsError> {
        self.0.plan(&read(wish)?).map_err(thrown)
    }

    /// [`Pupil::guide`].
    ///
    /// # Errors
    /// As there.
    pub fn guide(&self, wish: &str, rate: u32) -> Result<Vec<f32>, JsError> {
        self.0.guide(&read(wish)?, hertz(rate)?).map_err(thrown)
    }

    /// [`Pupil::assess`].
    ///
    /// # Errors
    /// As there.
    pub fn assess(&self, samples: &[f32], rate: u32, bpm: f64) -> Result<String, JsError> {
        self.0.assess(samples, hertz(rate)?, bpm).map_err(thrown)
    }

    /// [`Pupil::hear`].
    ///
    /// # Errors
    /// As there.
    pub fn hear(&mut self, wish: &str, facts: &str, samples: &[f32], rate: u32) -> Result<String, JsError> {
        let (wish, facts) = (read(wish)?, read(facts)?);
        self.0.hear(&wish, &facts, samples, hertz(rate)?, &mut quietly).map_err(thrown)
    }

    /// [`Pupil::told`].
    ///
    /// # Errors
    /// As there.
    pub fn told(&self) -> Result<String, JsError> {
        self.0.told().map_err(thrown)
    }

    /// [`Pupil::probe`].
    ///
    /// # Errors
    /// A rate of zero.
    pub fn probe(&self, rate: u32) -> Result<Vec<f32>, JsError> {
        Ok(self.0.probe(hertz(rate)?))
    }

    /// [`Pupil::check`].
    ///
    /// # Errors
    /// As there.
    pub fn check(
        &mut self,
        samples: &[f32],
        rate: u32,
        played_from_s: Option<f64>,
        began: &str,
        surfaces: &str,
    ) -> Result<String, JsError> {
        let from = played_from_s.and_then(Seconds::new);
        self.0.check(samples, hertz(rate)?, from, began, &named(surfaces)?).map_err(thrown)
    }

    /// [`Pupil::know`].
    ///
    /// # Errors
    /// As there.
    pub fn know(&mut self, samples: &[f32], rate: u32, surfaces: &str, check: &str) -> Result<(), JsError> {
        self.0.know(samples, hertz(rate)?, &named(surfaces)?, read(check)?).map_err(thrown)
    }

    /// [`Pupil::unknow`].
    pub fn unknow(&mut self) {
        self.0.unknow();
    }

    /// [`Pupil::given`]. Without a sound check `strikes` is empty.
    ///
    /// # Errors
    /// As there.
    pub fn given(&self, samples: &[f32], rate: u32, strikes: &[f32], strikes_rate: u32) -> Result<Vec<u8>, JsError> {
        let strikes = SampleRate::new(strikes_rate)
            .filter(|_| !strikes.is_empty())
            .map(|rate| Samples { samples: strikes, rate });
        self.0.given(Samples { samples, rate: hertz(rate)? }, strikes).map_err(|e: Refused| thrown(e))
    }

    /// [`Pupil::drill`].
    ///
    /// # Errors
    /// As there.
    pub fn drill(&self, pupil: Option<String>) -> Result<String, JsError> {
        self.0.drill(pupil.as_deref()).map_err(thrown)
    }

    /// [`Pupil::drill_sound`].
    ///
    /// # Errors
    /// As there.
    pub fn drill_sound(&self, pupil: Option<String>, rate: u32) -> Result<Vec<f32>, JsError> {
        self.0.drill_sound(pupil.as_deref(), hertz(rate)?).map_err(thrown)
    }

    /// [`Pupil::drill_begin`].
    ///
    /// # Errors
    /// As there.
    pub fn drill_begin(&mut self, pupil: Option<String>, rate: u32) -> Result<(), JsError> {
        self.0.drill_begin(pupil.as_deref(), hertz(rate)?).map_err(thrown)
    }

    /// [`Pupil::drill_listen`].
    ///
    /// # Errors
    /// As there.
    pub fn drill_listen(&mut self, samples: &[f32], told_s: f64) -> Result<Option<String>, JsError> {
        self.0.drill_listen(samples, Seconds::of(told_s)).map_err(thrown)
    }

    /// [`Pupil::drill_signal`].
    ///
    /// # Errors
    /// As there.
    pub fn drill_signal(&self, rate: u32) -> Result<Vec<f32>, JsError> {
        self.0.drill_signal(hertz(rate)?).map_err(thrown)
    }

    /// [`Pupil::drill_end`].
    ///
    /// # Errors
    /// As there.
    pub fn drill_end(
        &mut self,
        pupil: Option<String>,
        recording: &str,
        samples: &[f32],
        rate: u32,
    ) -> Result<String, JsError> {
        self.0.drill_end(pupil.as_deref(), &read(recording)?, samples, hertz(rate)?).map_err(thrown)
    }

    /// [`Pupil::given_drill`].
    ///
    /// # Errors
    /// As there.
    pub fn given_drill(&self, samples: &[f32], rate: u32) -> Result<Vec<u8>, JsError> {
        self.0.given_drill(Samples { samples, rate: hertz(rate)? }).map_err(thrown)
    }
}
