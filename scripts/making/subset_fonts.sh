#!/bin/sh
# Makes assets/fonts/ from Debian's fonts-noto-core (Noto Serif, SIL Open Font License 1.1, no reserved font name).
# Needs: apt-get install fonts-noto-core python3-fonttools python3-brotli
set -eu
cd "$(dirname "$0")/../assets/fonts"
# Latin with Latin-1 and Extended-A, Romanian, combining accents, Greek, Cyrillic, dashes, quotes, arrows, a few signs.
# For the page (woff2) the same, so that chart and page never differ in a letter.
letters='U+20-7E,U+A0-17F,U+192,U+218-21B,U+2C6,U+2DA,U+2DC,U+300-304,U+306-308,U+30A-30C,U+327,U+328'
letters="$letters,U+386-3CE,U+401-45F,U+490,U+491,U+1E9E,U+2010-2015,U+2018-201E,U+2020-2022,U+2026,U+2030"
letters="$letters,U+2032,U+2033,U+2039,U+203A,U+2044,U+20AC,U+2116,U+2122,U+2153-215E,U+2190-2193,U+2212,U+2248"
letters="$letters,U+2260,U+2264,U+2265,U+FFFD"
for weight in Regular Bold; do
  source="/usr/share/fonts/truetype/noto/NotoSerif-$weight.ttf"
  for flavour in ttf woff2; do
    flag=''
    [ "$flavour" = woff2 ] && flag='--flavor=woff2'
    # shellcheck disable=SC2086
    /usr/bin/python3 -m fontTools.subset "$source" --unicodes="$letters" --no-hinting \
      --layout-features=kern,liga,mark,mkmk,ccmp,locl --name-IDs=0,1,2,4,5,6,13,14 $flag \
      --output-file="NotoSerif-$weight.$flavour"
  done
done
