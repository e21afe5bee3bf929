classdef Receiver < handle
%RECEIVER  Collects bytes and cuts them into messages (PROTOCOL.md, 2.3).
    properties (SetAccess = private)
        frames = 0          % good frames so far
        frames_broken = 0   % broken ones, which were dropped
    end
    properties (Access = private)
        rest = []           % bytes behind the last zero
    end
    methods
        function messages = feed(receiver, bytes)
            %FEED  Takes a row of bytes (doubles); gives a cell row of messages: type, tag, body.
            bytes = [receiver.rest, bytes];
            ends = find(bytes == 0);
            messages = cell(1, numel(ends));
            from = 1;
            good = 0;
            for to = ends
                if to > from
                    message = tallymark.unframe(bytes(from:to-1));
                    if isempty(message)
                        receiver.frames_broken = receiver.frames_broken + 1;
                    else
                        good = good + 1;
                        messages{good} = message;
                    end
                end
                from = to + 1;
            end
            messages = messages(1:good);
            receiver.frames = receiver.frames + good;
            % 66 bytes without a zero are too long for a frame, and stay so whatever follows.
            receiver.rest = bytes(from:min(end, from + 65));
        end
    end
end
