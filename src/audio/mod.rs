//! Any recording -> blocks of samples at the ear's rate. The edge: the only step that reads sound files.
