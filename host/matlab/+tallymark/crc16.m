function crc = crc16(bytes)
%CRC16  CRC-16/PROFIBUS of a row of bytes (PROTOCOL.md, 2.1), as a double from 0 to 65535.
%   It is sent high byte first. Over a good message with its CRC it comes to 7275, which is the
%   residue 0xE394 with the final XOR.
persistent highs lows
if isempty(highs)
    [highs, lows] = make_tables();
end
high = 255;
low = 255;
for byte = bytes
    at = bitxor(high, byte) + 1;
    high = bitxor(low, highs(at));
    low = lows(at);
end
crc = 65535 - 256 * high - low;
end

function [highs, lows] = make_tables()
% What a byte that leaves the register at its top adds to the two bytes that stay.
table = zeros(1, 256);
for value = 0:255
    crc = value * 256;
    for bit = 1:8
        crc = crc * 2;
        if crc > 65535
            crc = bitxor(crc - 65536, hex2dec('1DCF'));
        end
    end
    table(value + 1) = crc;
end
highs = floor(table / 256);
lows = mod(table, 256);
end
