"""That the check of the Android package (android-shell/verify_apk.py) bites: packages made wrong on purpose."""

import struct
import sys
import zipfile

import pytest

from conftest import ROOT

sys.path.insert(0, str(ROOT / "android-shell"))
import verify_apk  # noqa: E402

MANIFEST = ROOT / "android-shell" / "AndroidManifest.xml"


def dex(defined, named=()):
    """A dex file that defines these types and names those: only what the check reads."""
    types = [*defined, *named]
    strings_at, types_at = 0x70, 0x70 + 4 * len(types)
    classes_at = types_at + 4 * len(types)
    data = b"".join(bytes([len(name)]) + name.encode() + b"\0" for name in types)
    offsets, at = [], classes_at + 32 * len(defined)
    for name in types:
        offsets.append(at)
        at += len(name) + 2
    header = bytearray(0x70)
    struct.pack_into("<IIII", header, 0x38, len(types), strings_at, len(types), types_at)
    struct.pack_into("<II", header, 0x60, len(defined), classes_at)
    numbers = struct.pack(f"<{2 * len(types)}I", *offsets, *range(len(types)))
    return bytes(header) + numbers + b"".join(struct.pack("<I28x", i) for i in range(len(defined))) + data


def elf(align, bits=64):
    """An ELF header and one segment that is loaded."""
    if bits == 64:
        header = struct.pack("<4sB27xQ14xHH6x", b"\x7fELF", 2, 64, 56, 1)
        return header.ljust(64, b"\0") + struct.pack("<II6Q", 1, 5, 0, 0, 0, 0, 0, align)
    header = struct.pack("<4sB23xI10xHH", b"\x7fELF", 1, 52, 32, 1)
    return header.ljust(52, b"\0") + struct.pack("<8I", 1, 0, 0, 0, 0, 0, 5, align)


def apk(path, libraries, page=16384, compression=zipfile.ZIP_STORED):
    with zipfile.ZipFile(path, "w") as file:
        for name, data in libraries.items():
            entry = zipfile.ZipInfo(name)
            entry.compress_type = compression
            # An extra field (two numbers, then padding) before the data, as zipalign and apksigner do it.
            padding = -(file.fp.tell() + 30 + len(name) + 4) % page
            entry.extra = struct.pack("<HH", 0xD935, padding) + bytes(padding)
            file.writestr(entry, data)
    return path


def wrong_libraries(tmp_path, libraries, with_core=False, **how):
    return list(verify_apk.wrong_libraries(apk(tmp_path / "x.apk", libraries, **how), ["arm64-v8a"], with_core))


JNA = "lib/arm64-v8a/libjnidispatch.so"


def test_a_package_as_it_must_be_is_let_through(tmp_path):
    libraries = {JNA: elf(16384), "lib/arm64-v8a/librakelight.so": elf(65536), "lib/armeabi-v7a/libjnidispatch.so": elf(4096, 32)}
    assert wrong_libraries(tmp_path, libraries, with_core=True) == []


@pytest.mark.parametrize(
    "libraries, how, said",
    [
        ({JNA: elf(4096)}, {}, "pages of 4096"),
        ({JNA: elf(16384)}, {"page": 4096}, "not at a page's start"),
        ({JNA: elf(16384)}, {"compression": zipfile.ZIP_DEFLATED}, "is compressed"),
        ({}, {}, "libjnidispatch.so is missing"),
        ({JNA: elf(16384)}, {"with_core": True}, "librakelight.so is missing"),
    ],
)
def test_a_library_that_wouldnt_load_is_noticed(tmp_path, libraries, how, said):
    wrong = wrong_libraries(tmp_path, {"a": b"so that nothing lies at a page's start by chance", **libraries}, **how)
    assert len(wrong) == 1 and said in wrong[0], wrong


def test_a_class_of_androidx_or_a_missing_one_is_noticed():
    claims, classes = verify_apk.manifest_claims(MANIFEST)
    needed = [f"L{name.replace('.', '/')};" for name in [*classes, "org.rakelight.core.Workspace", "com.sun.jna.Native", "kotlin.Unit"]]
    assert "Lorg/rakelight/field/DayActivity;" in needed
    assert list(verify_apk.wrong_classes([dex(needed)], classes)) == []
    for types in [dex([*needed, "Landroidx/Foo;"]), dex(needed, ["Landroidx/Foo;"])]:
        assert any("androidx/Foo" in wrong for wrong in verify_apk.wrong_classes([types], classes))
    for i, name in enumerate(needed):
        wrong = list(verify_apk.wrong_classes([dex(needed[:i] + needed[i + 1 :], [name])], classes))
        assert wrong == [f"the dex lacks {name[1:-1].replace('/', '.')}"]


def test_badging_must_say_what_the_manifest_says_and_no_more():
    claims, _ = verify_apk.manifest_claims(MANIFEST)
    assert "sdkVersion:'26'" in claims and "targetSdkVersion:'35'" in claims
    assert list(verify_apk.wrong_badging("\n".join(claims), claims)) == []
    for i in range(len(claims)):
        assert list(verify_apk.wrong_badging("\n".join(claims[:i] + claims[i + 1 :]), claims))
    more = "\n".join([*claims, "uses-permission: name='android.permission.READ_SMS'"])
    assert ["READ_SMS" in wrong for wrong in verify_apk.wrong_badging(more, claims)] == [True]
