#!/bin/sh
# Proves a folder of reports with openssl (1.1.1 or later) and sha256sum alone.
#   sh sealcheck.sh FOLDER [PUBLIC-KEY]
# Without PUBLIC-KEY it takes station.pub of the folder: whoever could change the
# reports could change that too, so compare it with a copy that you had before.
#
# A report's file is {"report":R,"seal":{"number":N,"previous":"P","sha256":"S",
# "key":"K","signature":"G"}} and a newline, nothing between.
#   S is the SHA-256 of four lines, each ended by a newline, and R's bytes as they
#     stand there: fullthrow-seal/2, report (of repairs: repair), N, P.
#     Earlier versions: of one line, P, and R's bytes.
#   G is the station's Ed25519 signature, by K, of the 32 bytes that S names.
#   N counts 1, 2, 3, ...; P is S of the report before, of the first nothing.
# The file chain names the newest: its signature is of six lines: fullthrow-head/1,
# chain (of repairs: repairs.chain), number, hash, file, at.
# station.keys, if it is there, has a line for each renewal of the key: signature is
# by the old and proof by the new key, of seven lines: fullthrow-key/1, number, hash,
# repairs, old, new, at; reports after number are by the new one, the last new one is
# station.pub, and hash is S of report number.
LC_ALL=C; export LC_ALL
dir=$1 pub=${2:-$1/station.pub} t=$(mktemp -d) bad=0 n=0 before=-
trap 'rm -rf "$t"' EXIT
wrong() { echo "WRONG: $*"; bad=1; }
hex() { od -An -v -tx1 | tr -d ' \n'; }
unhex() { for b in $(echo "$1" | sed 's/../& /g'); do printf "\\$(printf %03o "0x$b")"; done; }
field() { printf '%s\n' "$2" | sed -n "s/.*\"$1\":\"\{0,1\}\([^\",}]*\).*/\1/p"; }
signed() { # FILE SIGNATURE KEY
  unhex "$2" >"$t/sig"
  unhex "302a300506032b6570032100$3" >"$t/key"
  openssl pkeyutl -verify -pubin -keyform DER -inkey "$t/key" -rawin -in "$1" -sigfile "$t/sig" >"$t/said" 2>&1
}
key=$(openssl pkey -pubin -in "$pub" -outform DER | tail -c 32 | hex)
[ ${#key} = 64 ] || { echo "WRONG: $pub is no public key"; exit 1; }

: >"$t/keys" # of each renewal: number, hash, old key
if [ -e "$dir/station.keys" ]; then
  next=
  while read -r line; do
    number=$(field number "$line") old=$(field old "$line") new=$(field new "$line")
    printf 'fullthrow-key/1\n%s\n%s\n%s\n%s\n%s\n%s\n' "$number" "$(field hash "$line")" \
      "$(field repairs "$line")" "$old" "$new" "$(field at "$line")" >"$t/renewal"
    signed "$t/renewal" "$(field signature "$line")" "$old" && signed "$t/renewal" "$(field proof "$line")" "$new" ||
      wrong "$dir/station.keys: signature of the renewal after number $number"
    [ "${next:-$old}" = "$old" ] || wrong "$dir/station.keys: the renewals do not follow each other"
    next=$new
    echo "$number $(field hash "$line") $old" >>"$t/keys"
  done <"$dir/station.keys"
  [ "$next" = "$key" ] || wrong "$dir/station.keys: the last key is not that of $pub"
fi
of() { # NUMBER: the key of that report
  awk -v n="$1" -v key="$key" '!found && n <= $1 { key = $3; found = 1 } END { print key }' "$t/keys"
}

find "$dir" -path '*/[0-9][0-9][0-9][0-9]/[0-9][0-9]/[0-9][0-9]/*.json' >"$t/files"
: >"$t/list"
while read -r f; do
  seal=$(sed 's/.*,"seal"://' "$f")
  echo "$seal" | grep -Eqx '\{"number":[1-9][0-9]*,"previous":"([0-9a-f]{64})?","sha256":"[0-9a-f]{64}","key":"[0-9a-f]{64}","signature":"[0-9a-f]{128}"\}\}' ||
    { wrong "$f: no seal"; continue; }
  number=$(field number "$seal") previous=$(field previous "$seal") sum=$(field sha256 "$seal")
  tail -c +11 "$f" | head -c $(($(wc -c <"$f") - 10 - 8 - ${#seal} - 1)) >"$t/report"
  { printf '{"report":'; cat "$t/report"; printf ',"seal":%s\n' "$seal"; } | cmp -s - "$f" || wrong "$f: form"
  { printf 'fullthrow-seal/2\nreport\n%s\n%s\n' "$number" "$previous"; cat "$t/report"; } >"$t/sealed"
  if [ "$(sha256sum <"$t/sealed" | head -c 64)" != "$sum" ]; then
    { printf '%s\n' "$previous"; cat "$t/report"; } >"$t/sealed" # an earlier version's
    [ "$(sha256sum <"$t/sealed" | head -c 64)" = "$sum" ] || wrong "$f: changed after it was sealed"
  fi
  openssl dgst -sha256 -binary "$t/sealed" >"$t/sum"
  by=$(of "$number")
  [ "$(field key "$seal")" = "$by" ] && signed "$t/sum" "$(field signature "$seal")" "$by" || wrong "$f: signature"
  case $f in */"$(head -c 500 "$t/report" | sed -n 's/.*"run":"\([^"]*\)".*/\1/p').json") ;; *) wrong "$f: name" ;; esac
  echo "$number ${previous:--} $sum $f" >>"$t/list"
done <"$t/files"

sort -n "$t/list" >"$t/sorted"
while read -r number previous sum f; do
  n=$((n + 1))
  [ "$number" = $n ] || { wrong "$f: number $number comes where $n should"; n=$number; }
  [ "$previous" = "$before" ] || wrong "$f: does not follow the report before it"
  before=$sum
done <"$t/sorted"
while read -r number sum old; do
  [ "$number" = 0 ] || grep -q "^$number [^ ]* $sum " "$t/sorted" ||
    wrong "$dir/station.keys: the key was renewed after another report number $number"
done <"$t/keys"

head=$(cat "$dir/chain")
printf 'fullthrow-head/1\nchain\n%s\n%s\n%s\n%s\n' "$(field number "$head")" "$(field hash "$head")" \
  "$(field file "$head")" "$(field at "$head")" >"$t/head"
[ "$(field key "$head")" = "$key" ] && signed "$t/head" "$(field signature "$head")" "$key" || wrong "$dir/chain: signature"
[ "$(field number "$head")" = $n ] && [ "$(field hash "$head")" = "$before" ] ||
  wrong "the newest report there is number $n, and chain names number $(field number "$head")"
[ $bad = 0 ] && [ $n -gt 0 ] && echo "$n reports are as they were sealed, and none is missing" && exit 0
exit 1
