classdef MarkerOutcomes < handle
%MARKEROUTCOMES  How markers begin and end: what the box says of one becomes its outcome, which is told
%   once, by a warning and in the marker log.
    properties (SetAccess = private)
        failed = {}         % markers refused or unconfirmed since the last take_failed
    end
    properties
        log = []            % marker log; empty: none is kept
        is_cancelling = false    % markers ahead are being taken back, which is no fault
    end
    properties (Access = private)
        clock               % relation of box time to the seconds since the opening
    end
    methods
        function outcomes = MarkerOutcomes(clock)
            outcomes.clock = clock;
        end

        function sent(outcomes, number, request, body, code, width_us, settings)
            %SENT  A marker is about to be sent. body: of a 'timed' one, 1 first is a code that stays.
            %   settings: in force; empty where they are not known.
            if strncmp(request, 'sequence_start', 14)  % now or at a time: it is no marker of the log
                return
            elseif strcmp(request, 'set') || strcmp(request, 'timed') && ~isempty(body) && body(1) == 1
                width_us = NaN;
            elseif isnan(width_us) && isempty(settings)
                width_us = 0;  % not known
            elseif isnan(width_us)
                width_us = settings.width;
            end
            outcomes.log.sent(number, code, width_us);
        end

        function accepted(outcomes, marker)
            %ACCEPTED  A marker ahead waits in the box for its time.
            if ~isempty(outcomes.log) && ~marker.is_start()
                outcomes.log.accepted(marker, outcomes.clock);
            end
        end

        function done(outcomes, marker, box_time_us)
            %DONE  A marker is out.
            if ~isnan(marker.at_us)
                [edge_s, bound_s] = outcomes.clock.to_host(double(box_time_us));
                marker.place_edge(edge_s, bound_s);
            end
            marker.done(box_time_us);
            if ~isempty(outcomes.log) && ~marker.is_start()
                outcomes.log.done(marker, outcomes.clock);
            end
        end

        function ended(outcomes, marker, values, is_refused)
            %ENDED  A marker that the box had accepted is done or was refused. values: those of
            %   `marker_edge`, or of `fate`.
            marker.note(values.lasted, values.delay, values.notes);
            if is_refused
                outcomes.refuse(marker, values.reason, NaN);
            else
                outcomes.done(marker, values.time);
            end
        end

        function refuse(outcomes, marker, reason, detail)
            %REFUSE  The box has refused a marker.
            text = ['It was refused and did not go out. ', tallymark.refusal_text(reason, detail)];
            outcomes.report(marker, 'refused', text, tallymark.reason_label(reason));
        end

        function unconfirm(outcomes, marker, why)
            %UNCONFIRM  Nobody can know any more what became of a marker. why: sentences.
            text = sprintf('It is unconfirmed: it is not known whether it went out. %s', why);
            outcomes.report(marker, 'unconfirmed', text, why);
        end

        function leave_out(outcomes, marker)
            %LEAVE_OUT  A marker that waited for room while the box started again is not sent.
            outcomes.report(marker, 'unconfirmed', ['It was not sent, because the box started again ' ...
                'or did not answer while it waited for room. It is not in the recording.'], ...
                'it was not sent, because the box started again while it waited for room');
        end

        function words = leave(outcomes, marker, why)
            %LEAVE  A marker is unconfirmed; the caller says so for many at once, in these words.
            outcomes.keep(marker, 'unconfirmed', ['It is not known whether it went out. ', why, ...
                ' Look for it in the recording.'], why);
            words = marker.describe();
        end

        function markers = take_failed(outcomes)
            %TAKE_FAILED  Markers refused or unconfirmed since the last call, as a cell row.
            markers = outcomes.failed;
            outcomes.failed = {};
        end
    end

    methods (Access = private)
        function report(outcomes, marker, outcome, text, why)
            % Keeps a marker that is not done, and says so once. why: for the log.
            outcomes.keep(marker, outcome, text, why);
            if ~outcomes.is_cancelling
                warning(['tallymark:', outcome], 'About %s. %s', marker.describe(), text);
            end
        end

        function keep(outcomes, marker, outcome, text, why)
            marker.fail(outcome, text);
            outcomes.failed{end+1} = marker;
            if ~isempty(outcomes.log) && ~marker.is_start()
                outcomes.log.not_done(marker, why);
            end
        end
    end
end
