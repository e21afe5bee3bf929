function text = refusal_text(reason, detail)
%REFUSAL_TEXT  Why a request was refused and what to do, in words (PROTOCOL.md, 4.4).
%   reason, detail: numbers from the answer; detail is NaN where it is not known.
switch reason
    case 1
        text = 'The box does not know this request. Update its firmware.';
    case 2
        text = 'The request has a wrong length. Update the box''s firmware.';
    case 3
        text = ['The box speaks another version of the protocol', known(' (%d)', detail), ...
            '. Update the older one of box and program.'];
    case 4
        text = 'Its tag was 0. Open the box again.';
    case 5
        text = ['The box has had this tag, or a later one, already, so this one was ignored. ' ...
            'Does another program use the box? Open it again.'];
    case 6
        text = ['The code needs a line that is not in use, or that is the strobe', ...
            known(' (lines for codes: %s)', lines_of(detail)), ...
            '. Choose another code, or change the settings lines or strobe.'];
    case 7
        text = ['A width or hold time is out of the box''s range', ...
            known('; the limit is %g ms', double(detail) / 1000), '. Choose another.'];
    case 8
        text = ['A pulse was out', known(' for another %g ms', double(detail) / 1000), ', and the setting ' ...
            'overlap is refuse. Leave more time between markers.'];
    case 9
        text = ['Another marker was waiting for its gap', known(', for another %g ms', double(detail) / 1000), ...
            '. Leave more time between markers, or make the setting gap shorter.'];
    case 10
        text = 'A sequence is playing. Wait for its end, or stop it with sequence_stop.';
    case 11
        text = 'A step of the sequence is missing. Load it again.';
    case 12
        text = ['The sequence is too long', known(': the box holds %d steps', detail), '.'];
    case 13
        text = 'There is no sequence to play. Load one first.';
    case 14
        text = ['Too many repeats', known(': %d at most for so many steps', detail), '.'];
    case 15
        text = 'A value is out of range. Check code, width and repeats.';
    case 16
        text = ['The lines are not idle, or the gap is not over. Wait for the pulse to end, or ' ...
            'take them to idle with set(0).'];
    case 17
        text = 'The box''s memory did not take the settings. Those kept before are still there.';
    case 18
        text = 'This board can''t do that.';
    case 19
        if detail == 2^32 - 1
            detail = NaN;  % it had cut no pulse
        end
        text = ['It was cancelled before it went out, while it waited for its gap or its time: by ' ...
            'cancel, set(0) or a restart. ', ...
            known('The pulse that it had cut lasted %g ms. ', double(detail) / 1000), ...
            'If you did not mean that, leave more time between markers.'];
    case 22
        text = ['It came', known(' %g ms', double(detail) / 1000), ' after its expiry or its time. ' ...
            'Send it earlier, or give it more time.'];
    case 23
        text = ['It is in the way of a marker ahead, or something is in its way', ...
            known('; that one goes out in %g ms', double(detail) / 1000), '. Leave more time ' ...
            'between markers.'];
    case 24
        text = ['As many markers ahead wait as the box holds', known(' (%d)', detail), '. Wait for ' ...
            'one of them, or cancel it.'];
    otherwise
        text = sprintf('The box gave a reason that this program does not know (%d). Update it.', ...
            reason);
end
end

function words = known(format, value)
% Nothing if the detail is not known, as after a question about a marker's fate.
if isempty(value) || any(isnan(value))
    words = '';
else
    words = sprintf(format, value);
end
end

function words = lines_of(mask)
words = [];
if ~isnan(mask)
    words = strtrim(sprintf('%d ', find(bitand(mask, 2 .^ (0:7))) - 1));
end
end
