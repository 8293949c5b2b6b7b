prev=0000000000000000000000000000000000000000000000000000000000000000
while IFS= read -r line; do
  text=${line%,\"sha256\":*}
  sum=$(printf %s "$text" | sha256sum | cut -c1-64)
  [ "$line" = "$text,\"sha256\":\"$sum\"}" ] || echo "wrong sha256: $line"
  [ "${text%,\"prev\":\"$prev\"}" != "$text" ] || echo "wrong prev: $line"
  prev=$sum
done < journal.jsonl
echo "last $prev"
