function message = unframe(stuffed)
%UNFRAME  Type, tag and body of a frame without its closing zero; empty if it is broken.
%   stuffed: row of bytes as doubles, none of them 0. See PROTOCOL.md, 2.3.
message = [];
last = numel(stuffed);
if last < 5 || last > 65
    return
end
bytes = stuffed;
at = 1;
while at <= last
    bytes(at) = 0;
    at = at + stuffed(at);
end
bytes = bytes(2:end);
if at == last + 1 && tallymark.crc16(bytes) == 7275
    message = bytes(1:end-2);
end
end
