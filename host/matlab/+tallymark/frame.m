function wire = frame(type, tag, body)
%FRAME  The bytes on the wire of one message, closing zero included (PROTOCOL.md, 2).
%   type, tag: 0 to 255. body: row of at most 60 bytes. All of them doubles; so is the result.
message = [type, tag, body];
crc = tallymark.crc16(message);
high = floor(crc / 256);
wire = [0, message, high, crc - 256 * high, 0];
% COBS: each zero, and one before the first byte, becomes the distance to the next zero.
zeros_at = find(wire == 0);
wire(zeros_at(1:end-1)) = diff(zeros_at);
end
