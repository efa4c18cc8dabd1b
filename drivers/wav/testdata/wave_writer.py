"""Writes a WAV file with Python's own module wave, for interop_test.go.

wave_writer.py IN OUT BYTES: IN has 32-bit samples of two channels without a head.
"""
import sys
import wave

source, target, width = sys.argv[1], sys.argv[2], int(sys.argv[3])
with open(source, "rb") as f:
    samples = f.read()
with wave.open(target, "wb") as w:
    w.setnchannels(2)
    w.setsampwidth(width)
    w.setframerate(44100)
    kept = b"".join(samples[k + 4 - width:k + 4] for k in range(0, len(samples), 4))
    if width == 1:  # 8 bits are unsigned in this format
        kept = bytes(b ^ 0x80 for b in kept)
    w.writeframes(kept)
