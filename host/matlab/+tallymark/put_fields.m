function body = put_fields(fields, values)
%PUT_FIELDS  The bytes of a message's body, a row of doubles.
%   fields: rows of name and type, as in LAYOUTS. values: a struct with those names; whole numbers
%   in range, u64 exact only as uint64.
body = [];
for k = 1:size(fields, 1)
    value = values.(fields{k, 1});
    switch fields{k, 2}
        case {'u8', 'three'}
            bytes = value(:).';
        case 'u16'
            bytes = little_endian(uint16(value));
        case 'u32'
            bytes = little_endian(uint32(value));
        case 'u64'
            bytes = little_endian(uint64(value));
        case 'serial'
            bytes = hex2dec(reshape(value, 2, []).').';
        case 'text'
            bytes = [double(value), zeros(1, 16 - numel(value))];
        case 'record'
            bytes = tallymark.put_fields(tallymark.settings_fields(), value);
        case 'edges'
            bytes = [];
            for edge = value(:).'
                bytes = [bytes, little_endian(uint64(edge.time)), ...
                    edge.source, edge.levels]; %#ok<AGROW>
            end
        case 'probe_edges'
            bytes = [];
            for edge = value(:).'
                bytes = [bytes, little_endian(uint64(edge.time)), ...
                    edge.source, edge.on]; %#ok<AGROW>
            end
        case 'samples'
            bytes = [];
            for sample = value(:).'
                bytes = [bytes, little_endian(uint16(sample))]; %#ok<AGROW>
            end
    end
    body = [body, double(bytes)]; %#ok<AGROW>
end
end

function bytes = little_endian(value)
bytes = double(typecast(value, 'uint8'));
end
