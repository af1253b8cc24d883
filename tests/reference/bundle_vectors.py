#!/usr/bin/env python3
"""Holds what the bundle's verify.py makes by itself against published vectors.

Usage: bundle_vectors.py VERIFY.PY

Exit status: 0 all agree, 1 one does not. Vectors are from memory unless said, and agree with what the
package `cryptography` computes where it is installed: that is checked too.
"""

import hashlib
import importlib.util
import sys

PASSED = 0


def load(path):
    spec = importlib.util.spec_from_file_location("bundle_verifier", path)
    module = importlib.util.module_from_spec(spec)
    sys.dont_write_bytecode = True
    spec.loader.exec_module(module)
    return module


def agree(what, found, expected):
    global PASSED
    if found != expected:
        print("%s: %r is not %r" % (what, found, expected))
        sys.exit(1)
    PASSED += 1


def of_hex(text):
    return bytes.fromhex("".join(text.split()))


def ed25519(v):
    # RFC 8032 section 7.1, tests 1 to 3: public key, message, signature.
    for key, message, signature in [
        ("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
         "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f059"
         "5bbe24655141438e7a100b"),
        ("3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
         "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4"
         "302aeeb00d291612bb0c00"),
        ("fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
         "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e971"
         "6ed28dc027beceea1ec40a"),
    ]:
        key, message, signature = of_hex(key), of_hex(message), of_hex(signature)
        for holds in (v.ed25519_holds_in_python, v.ed25519_holds):
            agree("RFC 8032 section 7.1", holds(key, message, signature), True)
            agree("another message", holds(key, message + b"x", signature), False)
            for at in (0, 31, 32, 63):
                other = bytearray(signature)
                other[at] ^= 1
                agree("another signature", holds(key, message, bytes(other)), False)
        # RFC 8032 section 5.1.7: S is below the group's order; S + L signs the same and is refused.
        s = int.from_bytes(signature[32:], "little") + v.ORDER
        malleable = signature[:32] + s.to_bytes(32, "little")
        agree("S beyond the order", v.ed25519_holds_in_python(key, message, malleable), False)


SUNSCREEN = (b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, "
             b"sunscreen would be it.")


def aead(v):
    key = bytes(range(0x80, 0xA0))
    data = of_hex("50515253c0c1c2c3c4c5c6c7")
    # RFC 8439 section 2.3.2: the block function.
    agree("RFC 8439 2.3.2", v.chacha20_block(bytes(range(32)), 1, of_hex("000000090000004a00000000")), of_hex(
        "10f1e7e4d13b5915500fdd1fa32071c4c7d1f4c733c068030422aa9ac3d46c4ed2826446079faa0914c2d705d98b02a2b5129cd1de"
        "164eb9cbd083e8a2503c4e"))
    # RFC 8439 section 2.5.2: Poly1305.
    agree("RFC 8439 2.5.2", v.poly1305(of_hex(
        "85d6be7857556d337f4452fe42d506a80103808afb0db2fd4abff6af4149f51b"),
        b"Cryptographic Forum Research Group"), of_hex("a8061dc1305136c6c22b8baf0c0127a9"))
    # RFC 8439 section 2.8.2: the whole construction.
    sealed = of_hex(
        "d31a8d34648e60db7b86afbc53ef7ec2a4aded51296e08fea9e2b5a736ee62d63dbea45e8ca9671282fafb69da92728b1a71de0a9e"
        "060b2905d6a5b67ecd3b3692ddbd7f2d778b8c9803aee328091b58fab324e4fad675945585808b4831d7bc3ff4def08e4b7a9de576"
        "d26586cec64b6116 1ae10b594f09e26a7e902ecbd0600691")
    nonce = of_hex("070000004041424344454647")
    agree("RFC 8439 2.8.2", v.aead_open(key, nonce, sealed, data), SUNSCREEN)
    agree("other data", v.aead_open(key, nonce, sealed, data + b"x"), None)
    # draft-irtf-cfrg-xchacha-03 section 2.2.1: HChaCha20.
    agree("xchacha 2.2.1", v.hchacha20(bytes(range(32)), of_hex("000000090000004a0000000031415927")), of_hex(
        "82413b4227b27bfed30e42508a877d73a0f9e4d58a74a853c12ec41326d3ecdc"))
    # draft-irtf-cfrg-xchacha-03 section A.3.1: the whole construction.
    sealed = of_hex(
        "bd6d179d3e83d43b9576579493c0e939572a1700252bfaccbed2902c21396cbb731c7f1b0b4aa6440bf3a82f4eda7e39ae64c6708c"
        "54c216cb96b72e1213b4522f8c9ba40db5d945b11b69b982c1bb9e3f3fac2bc369488f76b2383565d3fff921f9664c97637da97688"
        "12f615c68b13b52e c0875924c1c7987947deafd8780acf49")
    nonce = bytes(range(0x40, 0x58))
    agree("xchacha A.3.1", v.xaead_open(key, nonce, sealed, data), SUNSCREEN)
    for at in (0, 50, len(sealed) - 1):
        other = bytearray(sealed)
        other[at] ^= 1
        agree("another ciphertext", v.xaead_open(key, nonce, bytes(other), data), None)


def against_library(v):
    try:
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
    except Exception:
        print("the package cryptography is not here: nothing was compared with it")
        return
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
    for number in range(20):
        seed = hashlib.sha256(b"%d" % number).digest()
        private = Ed25519PrivateKey.from_private_bytes(seed)
        public = private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
        message = seed * number
        agree("cryptography's signature",
              v.ed25519_holds_in_python(public, message, private.sign(message)), True)
        sealed = ChaCha20Poly1305(seed).encrypt(seed[:12], message, seed[12:])
        agree("cryptography's sealing", v.aead_open(seed, seed[:12], sealed, seed[12:]), message)


def notes(v):
    # C2SP signed-note: the example of its own text.
    key = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
    note = ("This is an example message.\n\n\u2014 example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Z"
            "tg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n")
    agree("C2SP signed-note", v.is_signed(v.parse_note(note), v.parse_key(key)), True)
    other = note.replace("example message", "example massage")
    agree("another text", v.is_signed(v.parse_note(other), v.parse_key(key)), False)
    agree("another id", v.parse_key(key.replace("530d903a", "530d903b")), None)
    # C2SP tlog-checkpoint: the example of its own text.
    text = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
    agree("C2SP tlog-checkpoint", v.parse_checkpoint(text)[:2], ("example.com/behind-the-sofa", 20852163))
    agree("a leading zero", v.parse_checkpoint(text.replace("2085", "02085")), None)


def trees(v):
    # The eight leaves and the root that RFC 6962's first implementations test with.
    leaves = ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"]
    tree = v.Tree()
    agree("the empty tree, RFC 9162 2.1.1", tree.root(), hashlib.sha256(b"").digest())
    for leaf in leaves:
        tree.push(0, v.leaf_hash(of_hex(leaf)))
    agree("eight leaves", tree.root().hex(), "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328")
    # FORMAT.md: what covers leaves 5 to 18 of a tree.
    agree("a cover", list(v.cover(5, 19)), [0, 1, 3, 1, 0])


def rows(v):
    # RFC 4180 section 2, rules 5 to 7.
    agree("RFC 4180", v.csv_row(["aaa", "b\r\nbb", 'c"cc', "d,d", ""]), 'aaa,"b\r\nbb","c""cc","d,d",\r\n')
    # RFC 8785 section 3.2.2.2: the shortest escapes.
    text = '"\\u000f\\n\\"\\\\/\u20ac"'
    agree("RFC 8785", v.read_canonical(text.encode()), "\x0f\n\"\\/\u20ac")
    for loose in ('{"b":1,"a":2}', '{"a":1,"a":1}', '{"a":1.0}', '{"a": 1}', '"\\u0041"', "9007199254740993", "NaN"):
        agree("not canonical: " + loose, v.read_canonical(loose.encode()), None)


def main():
    verifier = load(sys.argv[1])
    for check in (ed25519, aead, against_library, notes, trees, rows):
        check(verifier)
    print("%d checks agree" % PASSED)


if __name__ == "__main__":
    main()
