classdef Decoder < handle
%DECODER  Collects bytes and cuts them into messages (PROTOCOL.md, 2.3).
    properties (SetAccess = private)
        frames = 0          % good frames so far
        frames_broken = 0   % broken ones, which were dropped
    end
    properties (Access = private)
        rest = []           % bytes behind the last zero
    end
    methods
        function messages = feed(decoder, bytes)
            %FEED  Takes a row of bytes (doubles); gives a cell row of messages: type, tag, body.
            bytes = [decoder.rest, bytes];
            ends = find(bytes == 0);
            messages = cell(1, numel(ends));
            from = 1;
            good = 0;
            for to = ends
                if to > from
                    message = tallymark.unframe(bytes(from:to-1));
                    if isempty(message)
                        decoder.frames_broken = decoder.frames_broken + 1;
                    else
                        good = good + 1;
                        messages{good} = message;
                    end
                end
                from = to + 1;
            end
            messages = messages(1:good);
            decoder.frames = decoder.frames + good;
            % 66 bytes without a zero are too long for a frame, and stay so whatever follows.
            decoder.rest = bytes(from:min(end, from + 65));
        end
    end
end
