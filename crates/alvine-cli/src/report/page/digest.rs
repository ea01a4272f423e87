//! SHA-256 (FIPS 180-4), by which the page's content policy knows the page's own script from any other.

/// The first 32 bits of the fractional parts of the cube roots of the first 64 primes (FIPS 180-4, section 4.2.2).
const ROUNDS: [u32; 64] = [
    0x428a_2f98,
    0x7137_4491,
    0xb5c0_fbcf,
    0xe9b5_dba5,
    0x3956_c25b,
    0x59f1_11f1,
    0x923f_82a4,
    0xab1c_5ed5,
    0xd807_aa98,
    0x1283_5b01,
    0x2431_85be,
    0x550c_7dc3,
    0x72be_5d74,
    0x80de_b1fe,
    0x9bdc_06a7,
    0xc19b_f174,
    0xe49b_69c1,
    0xefbe_4786,
    0x0fc1_9dc6,
    0x240c_a1cc,
    0x2de9_2c6f,
    0x4a74_84aa,
    0x5cb0_a9dc,
    0x76f9_88da,
    0x983e_5152,
    0xa831_c66d,
    0xb003_27c8,
    0xbf59_7fc7,
    0xc6e0_0bf3,
    0xd5a7_9147,
    0x06ca_6351,
    0x1429_2967,
    0x27b7_0a85,
    0x2e1b_2138,
    0x4d2c_6dfc,
    0x5338_0d13,
    0x650a_7354,
    0x766a_0abb,
    0x81c2_c92e,
    0x9272_2c85,
    0xa2bf_e8a1,
    0xa81a_664b,
    0xc24b_8b70,
    0xc76c_51a3,
    0xd192_e819,
    0xd699_0624,
    0xf40e_3585,
    0x106a_a070,
    0x19a4_c116,
    0x1e37_6c08,
    0x2748_774c,
    0x34b0_bcb5,
    0x391c_0cb3,
    0x4ed8_aa4a,
    0x5b9c_ca4f,
    0x682e_6ff3,
    0x748f_82ee,
    0x78a5_636f,
    0x84c8_7814,
    0x8cc7_0208,
    0x90be_fffa,
    0xa450_6ceb,
    0xbef9_a3f7,
    0xc671_78f2,
];

/// The digest of `message`.
pub fn sha256(message: &[u8]) -> [u8; 32] {
    // The first 32 bits of the fractional parts of the square roots of the first 8 primes (section 5.3.3).
    let mut state: [u32; 8] = [
        0x6a09_e667,
        0xbb67_ae85,
        0x3c6e_f372,
        0xa54f_f53a,
        0x510e_527f,
        0x9b05_688c,
        0x1f83_d9ab,
        0x5be0_cd19,
    ];
    for block in padded(message).chunks_exact(64) {
        let mixed = compress(state, &schedule(block));
        for (word, mixed) in state.iter_mut().zip(mixed) {
            *word = word.wrapping_add(mixed);
        }
    }
    let mut digest = [0; 32];
    for (bytes, word) in digest.chunks_exact_mut(4).zip(state) {
        bytes.copy_from_slice(&word.to_be_bytes());
    }
    digest
}

/// A one bit, zeros to the last eight bytes of a block, and the length in bits (section 5.1.1).
fn padded(message: &[u8]) -> Vec<u8> {
    let mut padded = message.to_vec();
    padded.push(0x80);
    while padded.len() % 64 != 56 {
        padded.push(0);
    }
    padded.extend((8 * message.len() as u64).to_be_bytes());
    padded
}

/// The words of a block, and what follows from them (section 6.2.2, step 1).
fn schedule(block: &[u8]) -> [u32; 64] {
    let mut words = [0; 64];
    for (word, bytes) in words.iter_mut().zip(block.chunks_exact(4)) {
        *word = bytes.iter().fold(0, |word, &byte| word << 8 | u32::from(byte));
    }
    for t in 16..64 {
        let (w15, w2): (u32, u32) = (words[t - 15], words[t - 2]);
        let s0 = w15.rotate_right(7) ^ w15.rotate_right(18) ^ w15 >> 3;
        let s1 = w2.rotate_right(17) ^ w2.rotate_right(19) ^ w2 >> 10;
        let sum: u32 = words[t - 16];
        words[t] = sum.wrapping_add(s0).wrapping_add(words[t - 7]).wrapping_add(s1);
    }
    words
}

/// The 64 rounds (section 6.2.2, steps 2 and 3).
fn compress(state: [u32; 8], words: &[u32; 64]) -> [u32; 8] {
    let [mut a, mut b, mut c, mut d, mut e, mut f, mut g, mut h] = state;
    for (&round, &word) in ROUNDS.iter().zip(words) {
        let s1 = e.rotate_right(6) ^ e.rotate_right(11) ^ e.rotate_right(25);
        let choice = (e & f) ^ (!e & g);
        let first = h
            .wrapping_add(s1)
            .wrapping_add(choice)
            .wrapping_add(round)
            .wrapping_add(word);
        let s0 = a.rotate_right(2) ^ a.rotate_right(13) ^ a.rotate_right(22);
        let majority = (a & b) ^ (a & c) ^ (b & c);
        (h, g, f, e, d, c, b, a) = (
            g,
            f,
            e,
            d.wrapping_add(first),
            c,
            b,
            a,
            first.wrapping_add(s0.wrapping_add(majority)),
        );
    }
    [a, b, c, d, e, f, g, h]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(message: &str) -> String {
        sha256(message.as_bytes())
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect()
    }

    #[test]
    fn the_examples_of_the_standard_come_out() {
        // FIPS 180-2, appendix B.1 and B.2; the digest of nothing from NIST's example values.
        assert_eq!(
            hex("abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert_eq!(
            hex("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"),
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
        );
        assert_eq!(
            hex(""),
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
        );
    }
}
