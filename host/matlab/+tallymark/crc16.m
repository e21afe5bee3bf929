function crc = crc16(bytes)
%CRC16  CRC-16/PROFIBUS of a row of 1 to 64 bytes (PROTOCOL.md, 2.1), a double from 0 to 65535.
%   It is sent high byte first. Over a good message with its CRC it comes to 7275, which is the
%   residue 0xE394 with the final XOR.
%
%   A CRC is linear: what a byte adds depends on its value and on how many bytes follow, and
%   nothing else. So the bits of all bytes are looked up and added at once, which is several
%   times faster here than a loop over the bytes.
persistent begins adds weights
if isempty(begins)
    [begins, adds] = make_tables();
    weights = 2 .^ (0:15).';
end
count = numel(bytes);
bits = begins(count, :) + sum(adds(bytes + (256 * count - 255 : -256 : 1), :), 1);
crc = mod(bits, 2) * weights;
end

function [begins, adds] = make_tables()
% adds: 16 bits for each value of a byte, for 0 bytes that follow, then for 1, up to 63.
% begins: 16 bits that the initial value and the final XOR add, for 1 to 64 bytes.
adds = zeros(64 * 256, 16);
begins = zeros(64, 16);
byte = (0:255).' * 256;
initial = 65535;
for count = 1:64
    byte = eight_shifts(byte);
    initial = eight_shifts(initial);
    adds(256 * (count - 1) + (1:256), :) = bits_of(byte);
    begins(count, :) = bits_of(65535 - initial);
end
end

function register = eight_shifts(register)
for k = 1:8
    out = register > 32767;
    register = mod(register * 2, 65536);
    register(out) = bitxor(register(out), hex2dec('1DCF'));
end
end

function bits = bits_of(register)
bits = mod(floor(register * 2 .^ (0:-1:-15)), 2);
end
