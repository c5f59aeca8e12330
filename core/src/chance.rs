//! Numbers by chance that are the same in every run: whoever asks gives the state, which begins as a seed.

/// Above 0, up to 1: Steele, Lea and Flood 2014, SplitMix64.
pub fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^= z >> 31;
    ((z >> 11) + 1) as f64 / (1_u64 << 53) as f64
}
