#!/bin/sh
# Every cranking event of every bench, once, as a line of text: bench, gauge, peak and its uncertainty in psi, flags.
# Needs mosquitto_sub and jq. Options go on to mosquitto_sub: ./subscribe.sh -h broker -p 8883 --cafile ca.pem -u archive
#
# The fixed name (-i), the kept session (-c) and QoS 1 make the broker keep what comes while this is away.
# A message that was seen before (the same id) is a repeat after a lost connection, and is left out.
set -eu
mosquitto_sub -i "subscribe-sh-$(hostname)" -c -q 1 -t 'gaugelink/+/cranking' "$@" |
jq -nr --unbuffered '
  foreach inputs as $m ({}; .new = (.seen[$m.id] | not) | .seen[$m.id] = true; select(.new) | $m)
  | "\(.bench) \(.gauge): \(.peak_kpa / 6.894757 * 10 | round / 10) ± \(.peak_u_kpa / 6.894757 * 10 | round / 10) psi"
    + if .flags == [] then "" else " (\(.flags | join(", ")))" end
'
