# Checks the signature of a certificate with programs that others wrote:
#   sh stranger.sh CERTIFICATE.pdf
# Compare the fingerprint it prints with the one the workshop tells you.
set -e
# the signature covers $2 bytes from the start, and $4 bytes from byte $3 on
pdf=$1
set -- $(grep -a -o '/ByteRange \[[0-9 ]*' "$pdf" | tr -d '[' | cut -d' ' -f2-)
{ head -c "$2" "$pdf"; tail -c "$4" "$pdf"; } > signed.bin
head -c $(($3 - 1)) "$pdf" | tail -c $(($3 - $2 - 2)) | xxd -r -p > value.der
openssl pkcs7 -inform DER -in value.der -print_certs -out shop.pem
openssl x509 -in shop.pem -noout -subject -fingerprint -sha256
openssl cms -verify -binary -inform DER -in value.der -content signed.bin -CAfile shop.pem -purpose any -out /dev/null
test $(($3 + $4)) -eq "$(wc -c < "$pdf")" && echo "signed to the last byte"
pdfdetach -savefile record.json -o record.json "$pdf"
sha256sum record.json
