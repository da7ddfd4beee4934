"""Whether bytes are UTF-8, as RFC 3629 has it; the interpreter's own decoder takes more than that."""


def is_utf8(text: bytes) -> bool:
    """No overlong forms, no halves of a pair, nothing above U+10FFFF."""
    at, size = 0, len(text)
    while at < size:
        first = text[at]
        at += 1
        if first < 0x80:
            continue
        if not 0xC2 <= first <= 0xF4:
            return False
        more = 3 if first >= 0xF0 else 2 if first >= 0xE0 else 1
        low = 0xA0 if first == 0xE0 else 0x90 if first == 0xF0 else 0x80
        high = 0x9F if first == 0xED else 0x8F if first == 0xF4 else 0xBF
        for _ in range(more):
            if at >= size or not low <= text[at] <= high:
                return False
            at += 1
            low, high = 0x80, 0xBF
    return True
