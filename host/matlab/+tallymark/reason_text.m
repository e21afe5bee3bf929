function text = reason_text(reason, detail)
%REASON_TEXT  Why a request was refused and what to do, in words (PROTOCOL.md, 4.4).
%   reason, detail: numbers from the answer.
switch reason
    case 1
        text = 'The box does not know this request. Update its firmware.';
    case 2
        text = sprintf('The request has a wrong length (%d). Update the box''s firmware.', detail);
    case 3
        text = sprintf(['The box speaks version %d of the protocol, and this program version 1. ' ...
            'Update the older one.'], detail);
    case 4
        text = 'Its tag was 0. Open the box anew.';
    case 5
        text = ['A marker with this tag is still in the box''s memory, so this one was ignored. ' ...
            'Does another program use the box? Open it anew.'];
    case 6
        text = sprintf(['The code needs a line that is not in use. Lines in use: %s. ' ...
            'Choose another code, or change the setting lines.'], mat2str(lines_of(detail)));
    case 7
        text = sprintf(['A width or hold time is out of the box''s range; the limit is %d us. ' ...
            'Choose another width.'], detail);
    case 8
        text = sprintf(['A pulse was out for another %d us, and the setting overlap is refuse. ' ...
            'Leave more time between markers.'], detail);
    case 9
        text = sprintf(['Another marker was waiting for its gap, for another %d us. ' ...
            'Leave more time between markers, or make the setting gap shorter.'], detail);
    case 10
        text = 'A sequence is playing. Wait for its end, or stop it with sequence_stop.';
    case 11
        text = sprintf('A step is missing; the box waits for step %d. Load it anew.', detail + 1);
    case 12
        text = sprintf('The sequence is too long: the box holds %d steps.', detail);
    case 13
        text = 'There is no sequence to play. Load one first.';
    case 14
        text = sprintf('Too many repeats: %d at most for so many steps.', detail);
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
        text = sprintf(['It waited for its gap when set(0) or a restart cancelled it.%s ' ...
            'Leave more time between markers.'], cut_words(detail));
    otherwise
        text = sprintf('The box gave the reason %d (%d). Update this program.', reason, detail);
end
end

function lines = lines_of(mask)
lines = find(bitand(mask, 2 .^ (0:7))) - 1;
end

function words = cut_words(lasted)
words = '';
if lasted < 2^32 - 1
    words = sprintf(' The pulse that it had cut lasted %d us.', lasted);
end
end
