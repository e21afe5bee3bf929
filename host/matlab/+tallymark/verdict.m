function summary = verdict(driven, seen, mask)
%VERDICT  What a self-test found: a verdict for each line in use.
%   driven, seen: levels of the lines and of the readback inputs, one element a code. mask: lines
%   in use. summary: good, codes_tried, codes_right, lines (line, verdict) and sentence.
all_lines = 0:7;
lines = all_lines(bitand(mask, 2 .^ all_lines) > 0);
out = levels_of(driven);
in = levels_of(seen);
right = all(out(:, lines + 1) == in(:, lines + 1), 2);
summary = struct('good', all(right), 'codes_tried', numel(driven), 'codes_right', sum(right));
summary.lines = struct('line', {}, 'verdict', {});
faults = {};
for line = lines
    verdict = verdict_of(in(:, line + 1), out, line, lines);
    summary.lines(end+1) = struct('line', line, 'verdict', verdict);
    if ~strcmp(verdict, 'good')
        faults{end+1} = sprintf('Line %d: %s.', line, verdict); %#ok<AGROW>
    end
end
if summary.good
    summary.sentence = sprintf('All %d codes came back right.', summary.codes_tried);
else
    summary.sentence = sprintf(['%d of %d codes came back right. %s Do not record until this is ' ...
        'repaired; the command "tallymark selftest" names the pins to look at.'], ...
        summary.codes_right, summary.codes_tried, strjoin(faults, ' '));
end
end

function bits = levels_of(bytes)
% A column for each line, a row for each code.
bits = mod(floor(bytes(:) * 2 .^ (0:-1:-7)), 2);
end

function verdict = verdict_of(in, out, line, lines)
own = out(:, line + 1);
others = lines(lines ~= line);
if isequal(in, own)
    verdict = 'good';
elseif ~any(in)
    verdict = 'always low';
elseif all(in)
    verdict = 'always high';
elseif isequal(in, 1 - own)
    verdict = 'inverted';
else
    verdict = sprintf('wrong for %d codes, in no simple way', sum(in ~= own));
    for other = others
        its = out(:, other + 1);
        if isequal(in, its)
            verdict = sprintf('follows line %d instead', other);
        elseif isequal(in, 1 - its)
            verdict = sprintf('follows line %d instead, inverted', other);
        elseif isequal(in, own | its)
            verdict = sprintf('follows line %d too: high when either is high', other);
        elseif isequal(in, own & its)
            verdict = sprintf('follows line %d too: high only when both are high', other);
        end
    end
end
end
